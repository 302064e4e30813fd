"""Sphinx configuration."""

from canalwright import __version__

project = "Canalwright"
author = "The Canalwright developers"
copyright = "2026, The Canalwright developers"
release = __version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.napoleon",
    "sphinxcontrib.bibtex",
]
myst_enable_extensions = ["colon_fence", "deflist", "dollarmath"]
myst_heading_anchors = 3
bibtex_bibfiles = ["../src/canalwright/references.bib"]
bibtex_default_style = "plain"
autodoc_typehints = "none"
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_ivar = True
exclude_patterns = ["_build", "_generated"]
html_theme = "furo"
html_title = "Canalwright"
html_static_path: list[str] = []

# Two classes may have an attribute of one name, the one a refinement of the other.
suppress_warnings = ["ref.python"]
