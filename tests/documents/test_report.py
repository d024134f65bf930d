"""The report as others read it: html5lib for its markup, Chromium for what a reader sees and does."""

from __future__ import annotations

import base64
import hashlib
import io
import itertools
import json
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pypdf
import pytest
from PIL import Image

from optimiser.documents.cautions import brief, cautions
from optimiser.documents.lists import all_tables
from optimiser.documents.papers import PaperOptions, choose_papers
from optimiser.documents.plan_file import plan_digest
from optimiser.documents.tables import shown
from optimiser.documents.words import number, plain
from optimiser.plan.model import Plan, SitePosition
from tests.documents.browser import PROGRAM, Browser, browser
from tests.documents.sample import NASTY, courtyard, many_circuits, one_lamp, park, with_names

PLANS = {"courtyard": courtyard, "park": park, "lane": many_circuits, "doorstep": one_lamp}
HOSTILE = [
    "<script>window.hit=1</script>",
    "</script><script>window.hit=1</script>",
    "</style><img src=x onerror=window.hit=1>",
    '" onmouseover="window.hit=1" x=\'',
    "<!--",
    "javascript:window.hit=1",
    "&lt;b&gt;&#x3c;",
    *NASTY,
]
XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


def html_of(plan: Plan, date: str = "17 May") -> str:
    made = choose_papers(["report"])[0].make(plan, PaperOptions(date=date))
    assert isinstance(made, bytes)
    return made.decode()


@cache
def made(name: str) -> str:
    return html_of(PLANS[name]())


@cache
def hostile() -> str:
    names = iter(range(10**6))
    known: dict[str, str] = {}

    def change(name: str) -> str:
        return known.setdefault(name, HOSTILE[next(names) % len(HOSTILE)] + name)

    return html_of(with_names(courtyard(), change), date=HOSTILE[0])


def tree_of(html: str) -> ElementTree.Element:
    """Parsed by the rules of the HTML standard; whatever breaks one is an error."""
    return html5lib.HTMLParser(strict=True).parse(html)


def data_of(tree: ElementTree.Element) -> Any:
    return json.loads(next(node.text or "" for node in tree.iter(f"{XHTML}script") if node.get("id") == "data"))


def fact(data: Any, kind: str, name: str) -> dict[str, Any]:
    """A thing's numbers by their labels, as text."""
    found = next(one for one in data["facts"] if (one["kind"], one["name"]) == (kind, plain(name)))
    return {label: ", ".join(words for words, _ in values) for label, values in found["rows"]}


@pytest.mark.parametrize("name", PLANS)
def test_it_is_html_by_the_standard_and_says_all_that_the_lists_say(name: str) -> None:
    plan = PLANS[name]()
    tree = tree_of(made(name))
    tables = {node.get("id"): node for node in tree.iter(f"{XHTML}details")}
    for table in all_tables(plan):
        held = tables[f"list-{table.name}"]
        rows = [
            [" ".join("".join(cell.itertext()).split()) for cell in row.iter(f"{XHTML}td")]
            for row in held.iter(f"{XHTML}tr")
        ]
        kept = [i for i, column in enumerate(table.columns) if column.share > 0]
        wanted = [
            [" ".join(shown(row[i], table.columns[i].digits).split()) for i in kept] for row in table.rows
        ]  # fmt: skip
        assert [row for row in rows if row] == wanted, table.name
    words = " ".join("".join(tree.itertext()).split())
    for needed in (plan.job.title, "17 May", plan_digest(plan), *cautions(plan), *plan.warnings):
        assert " ".join(plain(needed).split()) in words


@pytest.mark.parametrize("name", PLANS)
def test_everything_built_can_be_tapped_and_says_its_numbers(name: str) -> None:
    plan = PLANS[name]()
    tree = tree_of(made(name))
    data = data_of(tree)
    touch = next(node for node in tree.iter(f"{SVG}g") if node.get("id") == "touch")
    found = {
        (data["facts"][int(place)]["kind"], data["facts"][int(place)]["name"])
        for node in touch.iter()
        if (place := node.get("data-of"))
    }
    wanted = {("lamp", lamp.id) for lamp in plan.lamps} | {("cable", cable.id) for cable in plan.cables}
    wanted |= {("trench", trench.id) for trench in plan.trenches if trench.cables}
    wanted |= {("joint", joint.id) for joint in plan.joints if joint.post is None}
    wanted |= {("supply", supply.name) for supply in plan.site.supplies}
    assert wanted <= found
    for lamp in plan.lamps:
        said = fact(data, "lamp", lamp.id)
        assert said["volts, all on"].startswith(f"{number(lamp.volts, 2)} V")
        assert said["at worst"] == f"{number(lamp.low_v, 2)} to {number(lamp.high_v, 2)} V"
        assert said["joint"] == lamp.joint
    for cable in plan.cables:
        said = fact(data, "cable", cable.id)
        assert (said["from"], said["to"], said["cut"]) == (cable.from_, cable.to, f"{number(cable.cut_m, 1)} m")
    for one in data["facts"]:
        for _, values in one["rows"]:
            for words, place in values:
                assert place < 0 or data["facts"][place]["name"] == words


@pytest.mark.parametrize("count", [3, 12])
def test_a_drivers_box_stands_by_its_supply_point_at_the_edge_of_the_site(count: int) -> None:
    """The map once ended 12 mm beyond what is built: no box fitted there, and it was led across the site."""
    tree = tree_of(html_of(many_circuits(count)))
    spot = next(one for one in tree.iter() if one.get("class") == "of-supply" and one.get("cx"))
    labels = (one for one in tree.iter() if one.get("class") == "of-drivers")
    box = next(part for one in labels for part in one if part.tag.endswith("rect"))
    x, y, left, top, width, height = (
        float(one.get(key) or "") for one, keys in ((spot, ("cx", "cy")), (box, ("x", "y", "width", "height")))
        for key in keys
    )  # fmt: skip
    away = max(left - x, x - left - width, 0.0), max(top - y, y - top - height, 0.0)
    assert max(away) < 12.0


@pytest.mark.parametrize("count", [3])
def test_a_site_of_few_lamps_fills_its_map(count: int) -> None:
    """Few labels crowd at no scale: such sites were once drawn at 1 : 5000, all signs in one place."""
    tree = tree_of(html_of(many_circuits(count)))
    across = sorted(
        float(one.get("cx") or "") for one in tree.iter() if one.get("class") == "of-lamp" and one.get("cx")
    )
    assert len(across) == count
    assert min(right - left for left, right in itertools.pairwise(across)) > 10.0  # mm, of 1.5 m


@pytest.mark.parametrize(
    ("bearing", "sign"), [(None, "y↑"), (0, "N↑"), (20, "N↑"), (-90, "N→"), (45, "N↖"), (180, "N↓")]
)
def test_north_is_claimed_only_where_a_position_tells_it(bearing: float | None, sign: str) -> None:
    """y at a bearing of 45° points north-east: north then lies to the left of up."""
    position = None if bearing is None else SitePosition(latitude=47, longitude=8, x=0, y=0, y_bearing=bearing)
    plan = courtyard()
    plan = plan.model_copy(update={"site": plan.site.model_copy(update={"position": position})})
    tree = tree_of(html_of(plan))
    [north] = [node for node in tree.iter(f"{XHTML}div") if node.get("class") == "north"]
    assert "".join(north.itertext()) == sign
    assert ("not known" in (north.get("aria-label") or "")) == (bearing is None)


def test_names_never_become_markup_or_script() -> None:
    tree = tree_of(hostile())
    calm = tree_of(made("courtyard"))
    assert {node.tag for node in tree.iter()} == {node.tag for node in calm.iter()}
    names = {name for node in calm.iter() for name in node.attrib}
    for node in tree.iter():
        assert set(node.attrib) <= names
        assert not any(name.startswith("on") or name == "style" for name in node.attrib)
        for name in ("href", "src", "{http://www.w3.org/1999/xlink}href"):
            assert node.get(name, "#").startswith("#")
    assert sum(node.tag == f"{XHTML}script" for node in tree.iter()) == 2
    told = {one["name"] for one in data_of(tree)["facts"]}
    for nasty in HOSTILE[:5]:
        assert any(plain(nasty) in name for name in told), nasty


def test_the_policy_names_the_one_script_and_the_one_style_and_nothing_else() -> None:
    tree = tree_of(made("courtyard"))
    meta = next(node for node in tree.iter(f"{XHTML}meta") if node.get("http-equiv") == "Content-Security-Policy")
    policy = dict(part.strip().split(" ", 1) for part in meta.get("content", "").split(";"))
    texts = {
        tag: [node.text or "" for node in tree.iter(f"{XHTML}{tag}") if node.get("type") is None]
        for tag in ("script", "style")
    }
    for tag in ("script", "style"):
        (text,) = texts[tag]
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert policy[f"{tag}-src"] == f"'sha256-{digest}'"
    assert policy["default-src"] == "'none'"
    assert not re.search(r"@import|url\((?!#)|https?://(?!www\.w3\.org/)", made("courtyard"))


def test_it_is_small_and_the_same_every_time() -> None:
    assert len(made("park").encode()) < 2_000_000
    assert made("courtyard") == html_of(courtyard())


# --- in a browser

in_browser = [
    pytest.mark.browser,
    pytest.mark.skipif(PROGRAM is None, reason="no chromium is installed (apt-get install chromium)"),
]


def marked(test: Any) -> Any:
    for mark in in_browser:
        test = mark(test)
    return test


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.fixture
def page(chromium: Browser, tmp_path: Path) -> Any:
    """Return a function that opens a report at the size of a phone or of a desk."""

    def opened(html: str, *, phone: bool) -> Browser:
        file = tmp_path / "report.html"
        file.write_text(html, encoding="utf-8")
        chromium.open(file, *((390, 844) if phone else (1280, 860)), phone=phone)
        chromium.ask("document.getElementById('plan').scrollIntoView({behavior: 'instant'})")
        chromium.settle()
        return chromium

    return opened


def middle(on: Browser, selector: str) -> tuple[float, float]:
    x, y = on.ask(
        f"(() => {{ const r = document.querySelector({json.dumps(selector)}).getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2]; })()"
    )
    return x, y


def seen(on: Browser) -> list[float]:
    """Part of the drawing that is shown: left, top, width, height in mm."""
    return [float(part) for part in on.ask("document.querySelector('#view > svg').getAttribute('viewBox')").split()]


def card(on: Browser) -> str:
    return " ".join(on.ask("document.getElementById('card').innerText").split())


def place_of(html: str, kind: str, name: str) -> int:
    facts = data_of(tree_of(html))["facts"]
    return next(i for i, one in enumerate(facts) if (one["kind"], one["name"]) == (kind, name))


@marked
@pytest.mark.parametrize("phone", [True, False], ids=["phone", "desk"])
@pytest.mark.parametrize("name", ["courtyard", "park"])
def test_it_opens_without_a_word_of_complaint_and_asks_nobody(page: Any, name: str, phone: bool) -> None:
    on = page(made(name), phone=phone)
    width = 390 if phone else 1280
    assert on.ask("document.documentElement.scrollWidth") <= width, "the page can be pushed sideways"
    picture = Image.open(io.BytesIO(on.picture())).convert("RGB")
    assert picture.width == width * (2 if phone else 1)
    assert len(picture.getcolors(1 << 24) or []) > 200, "no plan is seen"
    whole = seen(on)
    home = on.ask(
        "(() => { const b = document.querySelector('#map rect').getBBox(); return [b.x, b.y, b.width, b.height] })()"
    )
    assert whole[0] <= home[0] and whole[1] <= home[1]
    assert whole[0] + whole[2] >= home[0] + home[2] and whole[1] + whole[3] >= home[1] + home[3]
    assert on.complaints() == []
    assert [url.rsplit("/", 1)[1] for url in on.asked_for()] == ["report.html"]


@marked
def test_on_a_phone_fingers_tap_drag_and_pinch(page: Any) -> None:
    plan, html = courtyard(), made("courtyard")
    on = page(html, phone=True)
    lamp = plan.lamps[2]
    on.tap(*middle(on, f"#touch circle[data-of='{place_of(html, 'lamp', lamp.id)}']"))
    assert card(on).startswith(f"lamp {lamp.id} ") and f"{number(lamp.volts, 2)} V" in card(on)
    before = seen(on)
    x, y = middle(on, "#view")
    on.touch("touchStart", (x, y))
    for step in range(1, 5):
        on.touch("touchMove", (x + 15 * step, y))
    on.touch("touchEnd")
    on.settle()
    dragged = seen(on)
    assert dragged[0] < before[0] and dragged[2] == pytest.approx(before[2])
    assert card(on).startswith(f"lamp {lamp.id} "), "a drag is no tap"
    on.touch("touchStart", (x - 20, y), (x + 20, y))
    for step in range(1, 7):
        on.touch("touchMove", (x - 20 - 10 * step, y), (x + 20 + 10 * step, y))
    on.touch("touchEnd")
    on.settle()
    assert seen(on)[2] < 0.5 * dragged[2]
    on.tap(*middle(on, "[data-do=fit]"))
    assert seen(on)[2:] == pytest.approx(before[2:])
    assert on.complaints() == []


@marked
@pytest.mark.parametrize("phone", [True, False], ids=["by tap", "by keys"])
def test_a_joint_under_the_lamp_that_it_stands_at_is_reached(page: Any, phone: bool) -> None:
    plan = courtyard()
    lamp = plan.lamps[2]
    beside = [
        joint.model_copy(update={"x": lamp.x, "y": lamp.y} if joint.id == lamp.joint else {}) for joint in plan.joints
    ]
    html = html_of(plan.model_copy(update={"joints": beside}))
    on = page(html, phone=phone)
    if phone:
        on.tap(*middle(on, f"#touch circle[data-of='{place_of(html, 'joint', lamp.joint)}']"))
        assert card(on).startswith(f"lamp {lamp.id} "), "the lamp lies above it"
        on.ask("document.querySelector('#card .also button').scrollIntoView({block: 'center', behavior: 'instant'})")
        on.settle()
        on.tap(*middle(on, "#card .also button"))
    else:
        on.ask("document.getElementById('find').focus()")
        on.send("Input.insertText", text=f"joint {lamp.joint}")
    assert card(on).startswith(f"joint {lamp.joint} ")
    assert on.complaints() == []


@marked
def test_at_a_desk_the_wheel_zooms_where_the_pointer_is(page: Any) -> None:
    html = made("courtyard")
    on = page(html, phone=False)
    place = place_of(html, "cable", courtyard().cables[0].id)
    x, y = on.ask("(() => { const r = document.getElementById('view').getBoundingClientRect();"
                  " return [r.x + r.width / 4, r.y + r.height / 3] })()")  # fmt: skip

    def under() -> tuple[float, float]:
        left, top, width, height = seen(on)
        return left + width / 4, top + height / 3

    before, wide = under(), seen(on)[2]
    on.mouse("mouseWheel", x, y, deltaX=0, deltaY=-240)
    on.settle()
    assert seen(on)[2] < 0.75 * wide
    assert under() == pytest.approx(before, abs=0.5)
    on.ask("document.querySelector('[data-do=fit]').click()")
    on.settle()
    on.ask("document.getElementById('find').focus()")
    on.send("Input.insertText", text=f"cable {courtyard().cables[0].id}")
    on.settle()
    assert card(on).startswith(f"cable {courtyard().cables[0].id} ")
    assert on.ask(f"document.querySelectorAll('#touch .lit:not([data-of=\"{place}\"])').length") == 0
    assert on.ask("document.querySelectorAll('#touch .lit').length") >= 1
    assert on.complaints() == []


@marked
def test_layers_go_off_and_on_with_their_labels(page: Any) -> None:
    on = page(made("courtyard"), phone=False)
    layers = on.ask("document.querySelectorAll('[data-hides]').length")
    assert layers >= 6
    for i in range(layers):
        shown_parts = (
            f"document.querySelectorAll('[data-hides]')[{i}].dataset.hides.split(' ')"
            ".flatMap(p => [...document.querySelectorAll('#view ' + p)]).filter(p => p.getClientRects().length).length"
        )
        there = on.ask(shown_parts)
        assert there > 0, i
        on.ask(f"document.querySelectorAll('[data-hides]')[{i}].click()")
        assert on.ask(shown_parts) == 0
        on.ask(f"document.querySelectorAll('[data-hides]')[{i}].click()")
        assert on.ask(shown_parts) == there


@marked
def test_a_name_in_a_list_leads_to_its_place_on_the_plan(page: Any) -> None:
    plan = courtyard()
    on = page(made("courtyard"), phone=True)
    on.ask("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    on.ask("document.querySelector('#list-joint_list a').click()")
    on.settle()
    first = next(joint for joint in plan.joints if joint.circuit == plan.circuits[0].id)
    assert card(on).startswith(f"joint {first.id} ")
    assert on.ask("document.querySelectorAll('#touch .lit').length") >= 1
    assert on.complaints() == []


@marked
def test_hostile_names_run_nothing_and_the_policy_stops_what_is_put_in(page: Any) -> None:
    on = page(hostile(), phone=False)
    on.ask("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    for i in range(on.ask("JSON.parse(document.getElementById('data').textContent).facts.length")):
        on.ask(f"document.getElementById('find').value = document.querySelectorAll('#names option')[{i}].value;"
               "document.getElementById('find').dispatchEvent(new Event('input'))")  # fmt: skip
        assert on.ask("document.querySelectorAll('#card script, #card img, #card b').length") == 0
    assert on.ask("typeof window.hit") == "undefined"
    assert on.complaints() == []
    on.ask("document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=window.hit=1>')")
    on.ask("(() => { const s = document.createElement('script'); s.textContent = 'window.hit=1';"
           " document.body.append(s); })()")  # fmt: skip
    on.settle()
    assert on.ask("typeof window.hit") == "undefined"
    assert any("Content Security Policy" in said for said in on.complaints())


@marked
def test_printed_it_holds_everything_and_the_cautions_on_every_sheet(page: Any) -> None:
    on = page(made("courtyard"), phone=False)
    sheets = [" ".join(sheet.extract_text().split()) for sheet in pypdf.PdfReader(io.BytesIO(on.printed())).pages]
    for text in sheets:
        assert re.sub(r"\s", "", brief()) in re.sub(r"\s", "", text)
    text = " ".join(sheets)
    for table in all_tables(courtyard()):
        assert table.title in text
    for lamp in courtyard().lamps:
        assert lamp.id in text
