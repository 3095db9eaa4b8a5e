"""The page of `report` as a reader meets it: opened from disk, on a screen and a phone, and printed.

That the page needs no network and no script, and that it is readable, are demands of this project;
the size of A4 is that of ISO 216.
"""

import hashlib
import re
import subprocess
from pathlib import Path

import pytest
from conftest import HOSTILE_FILE, HOSTILE_NAMES, SAMPLES
from pypdf import PdfReader
from selenium.common.exceptions import UnexpectedAlertPresentException

NAMES = (*SAMPLES, "bare", "hostile")
PHONE, DESKTOP = 390, 1280
A4_MM = (210, 297)
MM_PER_POINT = 25.4 / 72
# the smallest letters that are still read without effort; common practice, no source
LEAST_LETTERS_PX = 8

# boxes that reach beyond the window, outside of boxes that can be scrolled on their own
TOO_WIDE = """
const width = document.documentElement.clientWidth;
const scrolls = (e) => e && (["auto", "scroll"].includes(getComputedStyle(e).overflowX)
                             || scrolls(e.parentElement));
const wide = [...document.body.querySelectorAll("*")].filter((e) => {
  const box = e.getBoundingClientRect();
  return box.width > 0 && (box.right > width + 1 || box.left < -1) && !scrolls(e.parentElement);
}).map((e) => e.outerHTML.slice(0, 80));
if (document.documentElement.scrollWidth > width) wide.push("the page itself");
return wide;
"""
# words that lie partly outside of their picture, where they are cut off
CUT_OFF = """
return [...document.querySelectorAll("svg")].flatMap((svg) => {
  const frame = svg.getBoundingClientRect();
  return [...svg.querySelectorAll("text")].filter((text) => {
    const box = text.getBoundingClientRect();
    return box.left < frame.left - 1 || box.right > frame.right + 1
        || box.top < frame.top - 1 || box.bottom > frame.bottom + 1;
  }).map((text) => text.textContent.trim());
});
"""
# sizes of all pictures, and of the bitmaps within
PICTURES = """
const box = (e) => { const r = e.getBoundingClientRect(); return [r.width, r.height]; };
const all = [...document.querySelectorAll("svg, img, svg image")].map(box);
const bitmaps = [...document.querySelectorAll("svg image")].map(
  (e) => e.href ? e.href.baseVal : e.getAttribute("xlink:href"));
const decoded = await Promise.all(bitmaps.map(async (url) => {
  const image = new Image();
  image.src = url;
  await image.decode();
  return [image.naturalWidth, image.naturalHeight];
}));
return [...all, ...decoded];
"""
# height of the smallest letters, in words and in pictures
LETTERS = """
const sizes = [...document.querySelectorAll("body *")].filter(
  (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())
).map((e) => {
  const size = parseFloat(getComputedStyle(e).fontSize);
  const svg = e.ownerSVGElement;
  return svg ? size * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : size;
});
return Math.min(...sizes);
"""
HANDLERS = """
return [...document.querySelectorAll("*")].flatMap((e) => [...e.attributes])
  .filter((a) => a.name.startsWith("on") || /^\\s*javascript:/i.test(a.value)).map((a) => a.name);
"""
ACTIVE = "script, iframe, object, embed, link, base, form, img, a, audio, video, foreignObject"


def words(text: str) -> str:
    """Text with single spaces, as a reader takes it."""
    return re.sub(r"\s+", " ", text)


def pressed(text: str) -> str:
    """Text without spaces, as lines break anywhere on paper."""
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("width", [PHONE, DESKTOP])
@pytest.mark.parametrize("name", NAMES)
def test_a_page_stands_on_its_own(browser, pages, looks, name, width):
    page = pages[name]
    browser.open(page.path, width)
    picture = browser.photograph(looks / f"{name}-{width}.png")
    assert browser.complaints() == []
    assert browser.requested() == [page.path.as_uri()]
    assert browser.ask(f"return document.querySelectorAll('{ACTIVE}').length") == 0
    assert browser.ask(HANDLERS) == []

    assert browser.ask(TOO_WIDE) == []
    assert browser.ask(CUT_OFF) == []
    sizes = browser.ask(PICTURES)
    assert all(wide > 0 and high > 0 for wide, high in sizes)
    assert browser.ask(LETTERS) >= LEAST_LETTERS_PX

    # with scripts forbidden the page is the same to the pixel
    browser.open(page.path, width, scripts=False)
    assert browser.photograph(looks / f"{name}-{width}.png") == picture


@pytest.mark.parametrize("name", NAMES)
def test_a_page_shows_what_it_rests_on(browser, pages, name):
    page = pages[name]
    browser.open(page.path, DESKTOP)
    shown = words(browser.ask("return document.body.innerText"))
    assert page.told["verdict"].replace("_", " ").upper() in shown
    assert page.recording.name in shown
    assert hashlib.sha256(page.recording.read_bytes()).hexdigest() in shown
    version = subprocess.run(["quietspin", "--version"], capture_output=True, text=True, check=True)
    assert f"quietspin {version.stdout.split()[1]}" in shown
    for caution in ("rated containment", "nobody in the plane of the wheels", "no protection system"):
        assert caution in shown
    assert "The run" in shown
    pictures = browser.ask("return document.querySelectorAll('figure svg').length")
    assert pictures >= (1 if name == "microphone" else 3)


def test_names_that_are_markup_are_shown_as_they_are(browser, pages):
    browser.open(pages["hostile"].path, DESKTOP)
    shown = browser.ask("return document.body.innerText")
    assert HOSTILE_FILE in shown
    for name in HOSTILE_NAMES.values():
        assert name in shown
    assert HOSTILE_FILE in browser.driver.title
    drawn = browser.ask("return [...document.querySelectorAll('svg text')].map((e) => e.textContent)")
    assert HOSTILE_NAMES["blade.compressor"] in words(" ".join(drawn))


@pytest.mark.parametrize("name", NAMES)
def test_a_page_prints_on_a4(browser, pages, looks, name):
    browser.open(pages[name].path, DESKTOP)
    paper = looks / f"{name}.pdf"
    browser.print_to(paper)
    sheets = PdfReader(paper).pages
    assert 2 <= len(sheets) <= 8
    for sheet in sheets:
        size = tuple(
            round(float(side) * MM_PER_POINT) for side in (sheet.mediabox.width, sheet.mediabox.height)
        )
        assert size == A4_MM
        # every sheet has its number below
        body = re.sub(r"page\s*\d+\s*of\s*\d+", "", sheet.extract_text())
        assert pressed(body), "an empty sheet"
    printed = pressed("".join(sheet.extract_text() for sheet in sheets))
    for part in words(browser.ask("return document.body.innerText")).split():
        assert part in printed, "lost on paper"


def test_the_checks_see_what_they_look_for(browser, tmp_path: Path):
    loud = tmp_path / "loud.html"
    loud.write_text('<!DOCTYPE html><body><svg width="9" height="9" onload="alert(1)"></svg>')
    with pytest.raises(UnexpectedAlertPresentException):
        browser.open(loud, DESKTOP)
    bad = tmp_path / "bad.html"
    bad.write_text(
        """<!DOCTYPE html><meta name="viewport" content="width=device-width"><body>
        <div style="width:500px">wide</div><p style="font-size:5px" onclick="1">small</p>
        <svg width="50" height="20" viewBox="0 0 50 20"><text x="40" y="15">cut off</text></svg>
        <img src="http://127.0.0.1:9/x.png"><img src="none.png" onerror="1">"""
    )
    browser.open(bad, PHONE)
    assert any("none.png" in complaint for complaint in browser.complaints())
    assert "http://127.0.0.1:9/x.png" in browser.requested()
    assert browser.ask(f"return document.querySelectorAll('{ACTIVE}').length") == 2
    assert browser.ask(HANDLERS) == ["onclick", "onerror"]
    assert any("wide" in box for box in browser.ask(TOO_WIDE))
    assert browser.ask(CUT_OFF) == ["cut off"]
    assert browser.ask(LETTERS) == 5
