"""The workbench in the browser: pages that show what the layers below compute.

No arithmetic happens here; only this package may import the web framework.
"""
