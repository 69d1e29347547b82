"""The report page in a real browser: drawn, moved, printed, and without WebGL."""

from __future__ import annotations

import io

import numpy as np
import pytest
import report_browser
import report_case
from PIL import Image

from zrough import report

pytestmark = [
    pytest.mark.slow,
    pytest.mark.compiled,
    pytest.mark.skipif(report_browser.BROWSER is None, reason="chromium is not installed"),
]
STATE = "document.documentElement.dataset.report"
BOX = """(() => { const r = document.getElementById('view-plot').getBoundingClientRect();
  return {x: r.x + scrollX, y: r.y + scrollY, width: r.width, height: r.height}; })()"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(report.report_html(report_case.plan(), report_case.check()), encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def page(address, tmp_path_factory):
    folder = tmp_path_factory.mktemp("profile")
    with report_browser.browser(folder, *report_browser.SOFT_WEBGL) as tab:
        tab.open(address)
        tab.wait(STATE)
        yield tab


def pixels(png: bytes):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=np.int64)


def slide(tab, to: int):
    tab.run(
        "(() => { const s = document.getElementById('level-slider');"
        f" s.value = '{to}'; s.dispatchEvent(new Event('input')); }})()"
    )
    tab.wait(f"document.documentElement.dataset.level === '{to}'")
    # two frames later the canvas holds what was asked for
    tab.run("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(0))))")


def errors(tab):
    return [m for m in tab.messages if m.split(":")[0] in ("error", "exception", "assert")]


def test_view_is_drawn_without_an_error(page):
    assert page.run(STATE) == "drawn"
    assert errors(page) == []
    assert page.run("document.querySelectorAll('#view-plot canvas').length") > 0
    shot = pixels(page.screenshot(page.run(BOX)))
    assert shot.std() > 15
    assert len(np.unique(shot.reshape(-1, 3), axis=0)) > 500
    assert (np.abs(shot - 255).sum(axis=2) > 60).mean() > 0.15  # the stock fills a good part of the frame


def test_nothing_is_asked_from_elsewhere(page):
    assert page.requests
    assert all(r.startswith(("file:", "data:", "blob:")) for r in page.requests)


def test_slider_moves_the_rings(page):
    slide(page, 1)
    first = pixels(page.screenshot(page.run(BOX)))
    count = page.run("document.querySelectorAll('.levels tbody tr').length")
    assert page.run("document.getElementById('level-name').textContent") == f"level 1 of {count}"
    assert page.run("document.querySelectorAll('.levels tr.here').length") == 1
    slide(page, 9)
    ninth = pixels(page.screenshot(page.run(BOX)))
    assert page.run("document.getElementById('told-z').textContent").startswith("−23.8")
    assert (np.abs(first - ninth).sum(axis=2) > 60).mean() > 0.02
    slide(page, 0)
    bare = pixels(page.screenshot(page.run(BOX)))
    drawn = page.run(
        "document.getElementById('view-plot').data.filter(t => t.type === 'scatter3d').map(t => t.x.length)"
    )
    assert drawn == [0, 0, 0]
    # rings are drawn in the colour of the cuts, the bare stock has none of it
    sea = np.array([0x1F, 0x6F, 0x78])
    near = [(np.abs(p - sea).sum(axis=2) < 40).sum() for p in (first, bare)]
    assert near[0] > 1000
    assert near[1] < near[0] / 20
    assert errors(page) == []


def test_all_levels_up_to_one_can_be_shown(page):
    slide(page, 3)
    points = "document.getElementById('view-plot').data.find(t => t.name === 'cutting').x.length"
    alone = page.run(points)
    page.run("document.getElementById('up-to').click(); 0")
    page.wait(f"{points} > {alone}")
    page.run("document.getElementById('up-to').click(); 0")
    page.wait(f"{points} === {alone}")


def test_stock_can_be_coloured_by_height(page):
    top = "document.getElementById('view-plot').data[0].cmax"
    before = page.run(top)
    choose = (
        "(() => {{ const c = document.getElementById('colouring');"
        " c.value = '{}'; c.dispatchEvent(new Event('change')); }})()"
    )
    page.run(choose.format("height"))
    page.wait(f"{top} !== {before}")
    page.run(choose.format("leftover"))
    page.wait(f"{top} === {before}")
    assert errors(page) == []


def test_a_row_of_the_table_leads_to_its_level(page):
    page.run("document.querySelectorAll('.levels tbody tr')[4].click(); 0")
    page.wait("document.documentElement.dataset.level === '5'")


def test_curves_are_drawn(page):
    for plot in ("engagement-plot", "power-plot", "histogram-plot"):
        assert page.run(f"document.querySelectorAll('#{plot} .main-svg').length") > 0, plot
    assert page.run("document.querySelectorAll('#histogram-plot .point').length") > 2


@pytest.mark.parametrize("width", [390, 768, 1600])
def test_page_fits_its_window(page, width):
    page.size(width, 900)
    page.wait(f"innerWidth === {width}")
    page.run("new Promise(r => setTimeout(() => r(0), 300))")
    try:
        assert page.run("document.documentElement.scrollWidth") <= width
    finally:
        page.size(1240, 900)


def test_setup_sheet_prints_on_one_page(page):
    pdf = page.pdf()
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") == 1
    page.run("document.body.classList.add('all'); 0")
    try:
        whole = page.pdf()
        assert whole.count(b"/Type /Page\n") + whole.count(b"/Type /Page ") > 2
    finally:
        page.run("document.body.classList.remove('all'); 0")


def test_without_webgl_the_pictures_stay(address, tmp_path):
    with report_browser.browser(tmp_path / "profile", *report_browser.NO_WEBGL) as tab:
        tab.open(address)
        tab.wait(STATE)
        assert tab.run(STATE) == "pictures"
        assert tab.run("document.querySelectorAll('#view-plot canvas').length") == 0
        assert tab.run("document.querySelector('#view-plot img').naturalWidth") > 500
        assert tab.run("getComputedStyle(document.querySelector('.side')).display") == "none"
        assert tab.run("document.querySelectorAll('#engagement-plot .main-svg').length") > 0
        shot = pixels(tab.screenshot(tab.run(BOX)))
        assert shot.std() > 15
        assert errors(tab) == []


def test_without_scripts_the_page_still_tells_everything(address, tmp_path):
    with report_browser.browser(tmp_path / "profile") as tab:
        tab.open("about:blank")
        tab.send("Emulation.setScriptExecutionDisabled", value=True)
        tab.send("Page.navigate", url=address)
        tab.wait("document.querySelector('footer') !== null")
        tab.wait(
            "document.images.length > 5 && [...document.images].every(i => i.complete && i.naturalWidth > 0)"
        )
