"""The gallery: every caption's numbers against the computation, sizes, letters, files, page."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.errors import UnknownName, UsageError
from canalwright.instruments.standard import find_instrument
from canalwright.planning.load_report import load_report
from canalwright.planning.simulation import OffCenter, simulate
from canalwright.planning.single_step import shape_after, step_after
from canalwright.references import all_references
from canalwright.reports.gallery import FIGURES, gallery_figure
from canalwright.reports.gallery_frame import LOOKS, GalleryFigure, look_of
from canalwright.reports.gallery_instruments import fatigue_by_station
from canalwright.reports.gallery_motion import SideView, write_insertion
from canalwright.reports.gallery_scene import GalleryScene, gallery_scene
from canalwright.shaping.shape import Pass, Shape
from canalwright.teaching.block_canal import CanalDesign, designed_canal


@pytest.fixture(scope="module")
def scene() -> GalleryScene:
    return gallery_scene()


@pytest.fixture(scope="module")
def drawn(scene: GalleryScene) -> dict[str, GalleryFigure]:
    return {name: gallery_figure(name, scene, LOOKS["print"]) for name in FIGURES}


def test_profiles_state_diameters_of_the_instruments(scene, drawn):
    caption = drawn["profiles"].caption
    for one in scene.instruments:
        values = ", ".join(f"{float(one.diameter_mm(s)):.2f}" for s in (0.0, 3.0, 16.0))
        assert f"{one.id} {values} mm" in caption


def test_steps_state_the_largest_step_of_each_protocol(scene, drawn):
    for name, passes in scene.sequences:
        one = simulate(scene.canal, passes, scene.target, patency=scene.patency)
        steps = [planned.step for planned in one.plan.steps]
        largest = max(float(step.step_percent.max()) for step in steps)
        worst = next(step for step in steps if step.step_percent.max() == largest)
        level = float(worst.level_mm[worst.worst])
        assert drawn["steps"].numbers[f"{name} step"] == pytest.approx(largest)
        assert f"{name} ({len(passes)} passes) at most {largest:.0f} % at level {level:.1f} mm" in (
            drawn["steps"].caption
        )


def test_strain_is_half_the_diameter_over_the_radius(scene, drawn):
    for one in scene.instruments:
        percent = 100 * (float(one.diameter_mm(3.0)) / 2.0) / 5.0
        assert f"{one.id} {percent:.1f} %" in drawn["strain"].caption


def test_torque_states_what_the_load_report_computes(scene, drawn):
    passes = scene.sequences[0][1]
    before = shape_after(scene.canal, passes[:-1], scene.patency)
    found = load_report(scene.canal, before, passes[-1], parameters=scene.parameters)
    loads = found.insertion.loads
    caption = drawn["torque"].caption
    assert f"asks {loads.peak_torque_ncm:.2f} N·cm at the handle" in caption
    assert f"at D{loads.torque_worst_station_mm:.1f} with" in caption
    assert f"{100 * loads.torque_fraction:.0f} % of the fully plastic torque" in caption


def test_fatigue_adds_two_canals_station_by_station(scene, drawn):
    station = np.linspace(0.0, 16.0, 321)
    passes, total = scene.sequences[0][1], np.zeros(321)
    for canal in (scene.canal, scene.second):
        _, loads = step_after(
            canal, passes[-1], passes[:-1], scene.patency, parameters=scene.parameters
        )
        assert loads.fatigue_used is not None
        total += np.interp(station, loads.station_mm, loads.fatigue_used, left=0.0, right=0.0)
    assert f"together {100 * total.max():.1f} % at D{station[total.argmax()]:.1f}" in (
        drawn["fatigue"].caption
    )
    # Identifiers keep their hyphens; only the exponent has a minus.
    assert f"that {passes[-1].instrument.id} uses" in drawn["fatigue"].caption
    assert "exponent −0.5 (cheung2007)" in drawn["fatigue"].caption
    parts = fatigue_by_station(scene, station)
    assert total.max() < sum(float(used.max()) for _, _, used in parts)


def test_before_and_after_states_areas_and_transportation(scene, drawn):
    led = simulate(
        scene.canal,
        scene.sequences[0][1],
        scene.target,
        patency=scene.patency,
        off_center=OffCenter(),
    )
    done = led.off_center[-1]
    before = Shape.of(scene.canal).area_mm2
    for level in (1.0, 3.0, 6.0):
        at = int(np.argmin(np.abs(done.level_mm - level)))
        moved = f"{1000 * done.transportation_mm[at]:+.0f} µm".replace("-", "−")
        text = f"at {level:g} mm {before[at]:.3f} to {done.after.area_mm2[at]:.3f} mm², moved "
        assert text + moved in drawn["before-after"].caption


def test_terminus_states_the_step_with_and_without_patency(drawn):
    # By hand: size 08/.02 taken 1 mm past leaves 0.08 + 0.02 + 0.01 mm; size 15 after it.
    caption = drawn["terminus"].caption
    assert "leaves 0.11 mm there" in caption
    assert "hand-15-02 (0.15 mm at the terminus)" in caption
    assert f"{100 * (0.15 / 0.11 - 1):.0f} % instead of {100 * (0.15 / 0.10 - 1):.0f} %" in caption


def test_terminus_says_where_patency_makes_no_difference(scene):
    wide = gallery_scene(
        designed_canal(CanalDesign(size=20, bends=())),
        sequences=tuple((n, (Pass(find_instrument("engine-25-04")),)) for n in ("A", "B")),
        patency=scene.patency,
    )
    caption = gallery_figure("terminus", wide, LOOKS["print"]).caption
    # By hand: 0.25 mm into 0.20 mm.
    assert "steps by 25 %, as without it" in caption


def test_insertion_states_strain_and_force_of_the_led_pass(scene, drawn):
    done = scene.led.off_center[-1]
    caption = drawn["insertion"].caption
    assert f"up to {100 * done.peak_strain:.1f} %" in caption
    assert f"up to {done.peak_wall_force_n_per_mm:.2f} N/mm" in caption
    assert f"at {len(np.unique(done.visits.tip_level_mm))} depths" in caption


def test_side_view_keeps_widths(scene):
    view = SideView.of(scene.led.off_center[-1])
    width = np.linalg.norm(view.walls_mm[0] - view.walls_mm[1], axis=1)
    # The canal is round and bends in one plane, so its width there is its diameter.
    assert width == pytest.approx(2.0 * view.done.before.radius_mm.mean(axis=1), abs=0.02)
    left, right = view.instrument_mm(view.depths[-1])
    diameters = view.done.made.instrument.diameter_mm(view.done.level_mm)
    assert np.linalg.norm(left - right, axis=1) == pytest.approx(diameters, abs=1e-9)


def test_sources_of_captions_are_in_the_bibliography(drawn):
    words = {word.strip("(),;.:") for one in drawn.values() for word in one.caption.split()}
    cited = {word for word in words if word[:1].isalpha() and word[-4:].isdigit()}
    assert {"miner1945", "figueiredo2009", "gambill1996", "jafarzadeh2017"} <= cited
    assert cited <= set(all_references())


@pytest.mark.parametrize("look", sorted(LOOKS))
def test_letters_are_large_enough_and_inside_the_figure(scene, look):
    least = {"print": 9.0, "slide": 9.0}[look]
    for name in ("profiles", "steps", "strain", "terminus"):
        figure = gallery_figure(name, scene, LOOKS[look]).figure
        figure.canvas.draw()
        box = figure.bbox
        for text in figure.findobj(lambda artist: hasattr(artist, "get_fontsize")):
            if not text.get_visible() or not text.get_text():
                continue
            assert text.get_fontsize() >= least
        for text in figure.texts:
            extent = text.get_window_extent()
            assert extent.x1 <= box.x1 + 1.0
            assert extent.y0 >= -1.0


def test_motion_is_written_frame_by_frame(scene, tmp_path):
    from PIL import Image

    path = tmp_path / "insertion.gif"
    caption = write_insertion(scene, LOOKS["print"], path)
    with Image.open(path) as picture:
        assert picture.n_frames > 6
    assert "led into" in caption


def test_motion_is_written_as_a_clip_that_plays(scene, tmp_path):
    path = tmp_path / "insertion.mp4"
    caption = write_insertion(scene, LOOKS["slide"], path)
    program = imageio_ffmpeg.get_ffmpeg_exe()
    said = subprocess.run([program, "-i", str(path)], capture_output=True, text=True).stderr
    found = re.search(r"Video: (\w+) .*?, (\d+)x(\d+).*?, (\d+) fps", said)
    assert found is not None
    codec, width, height, per_s = found[1], int(found[2]), int(found[3]), int(found[4])
    raw = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-loglevel", "error", "-"]
    bare = subprocess.run([program, "-i", str(path), *raw], capture_output=True, check=True).stdout
    seen = np.frombuffer(bare, np.uint8).reshape(-1, height, width, 3)
    depths = len(SideView.of(scene.led.off_center[-1]).depths)
    # The last depth is held for two seconds.
    assert len(seen) == depths + 2 * per_s
    assert codec == "h264"
    assert width / height == pytest.approx(16 / 9, rel=0.01)
    assert np.mean(np.any(seen[0] != seen[depths - 1], axis=2)) > 0.005
    assert "led into" in caption


def test_unknown_names_are_refused(scene):
    with pytest.raises(UnknownName, match="figure"):
        gallery_figure("nothing", scene, LOOKS["print"])
    with pytest.raises(UnknownName, match="size"):
        look_of("poster")
    with pytest.raises(UsageError, match="two sequences"):
        gallery_scene(sequences=(("A", (Pass(find_instrument("hand-10-02")),)),))


def test_one_figure_by_the_command_line(tmp_path: Path):
    target = tmp_path / "strain.svg"
    result = CliRunner().invoke(app, ["figure", "strain", "--out", str(target)])
    assert result.exit_code == 0
    assert "Surface strain" in result.output
    assert "Surface strain" in target.read_text("utf-8").replace("\u00a0", " ")
    listed = CliRunner().invoke(app, ["figure", "list"])
    assert all(name in listed.output for name in FIGURES)


@pytest.mark.parametrize(
    "arguments", [["strain"], ["strain", "--out", "a.gif"], ["insertion", "--out", "a.webm"]]
)
def test_figures_put_wrongly_are_refused(arguments):
    result = CliRunner().invoke(app, ["figure", *arguments])
    assert result.exit_code == 2


def test_gallery_page_holds_every_figure(tmp_path: Path):
    out = tmp_path / "gallery"
    result = CliRunner().invoke(app, ["figure", "gallery", "--out", str(out)])
    assert result.exit_code == 0
    page = (out / "index.html").read_text("utf-8")
    for name in FIGURES:
        assert f'src="{name}.svg"' in page
        assert (out / f"{name}.svg").stat().st_size > 5_000
        assert (out / f"{name}.pdf").read_bytes().startswith(b"%PDF")
    assert (out / "insertion.gif").exists()
    assert "INVENTED DATA" in page
