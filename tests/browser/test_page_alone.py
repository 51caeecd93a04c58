"""The page against a stand-in server: what it says in every situation, and what it does when nobody answers."""

from __future__ import annotations

import re
from typing import Any

from playwright.sync_api import expect

from tests.browser.conftest import DESK, PHONE
from tests.browser.stand_in import StandIn, fixture, preview

TRIPPED_AT_US = fixture("soaking")["utc_us"] - 120_000_000


def tripped() -> dict[str, Any]:
    """What changes in a snapshot when the modulator is stuck on."""
    now, guards = fixture("soaking"), fixture("guards")
    guard = next(
        row for row in (guards["guards"] if isinstance(guards, dict) else guards) if row["id"] == "rise_with_heat_off"
    )
    latch = {
        "guard": guard["id"],
        "utc_us": TRIPPED_AT_US,
        "value": 6_100,
        "limit": 6_000,
        "detail": "",
        "first_out": True,
        "done": "Both switches were told to open, and the trip is latched.",
        **{name: guard[name] for name in ("cause", "why", "do", "worry", "urgency", "unit")},
    }
    circuit = {
        **now["circuit"],
        "contactor": {"state": "open", "current": False, "words": "open"},
        "modulator": {"state": "passing", "current": False, "words": "passing 0 % of the time"},
        "element": {"state": "off", "current": False, "words": "no heat now", "watts": 0},
    }
    contacts = [
        {
            **one,
            "closed": one["name"] not in ("no trip", "armed"),
            "why": guard["cause"] if one["name"] == "no trip" else "",
        }
        for one in now["permit"]["contacts"]
    ]
    return {
        "heat_off": True,
        "latches": [latch],
        "circuit": circuit,
        "permit": {"given": False, "contacts": contacts},
        "request": {"duty_e4": 0},
        "seen": {"duty_e4": 0},
        "run": {**now["run"], "state": "aborted", "end": guard["cause"], "next": None},
        "possible": ["acknowledge", "clear", "reset"],
        "stop": {
            "by": "trip: rise_with_heat_off",
            "accepted_utc_us": TRIPPED_AT_US,
            "off_seen_utc_us": TRIPPED_AT_US + 500_000,
        },
        "alarms": [{**latch, "state": "latched unacknowledged"}],
        "sentence": f"Heat is off. {guard['cause']}",
        "sentence_more": "",
    }


def open_at(new_page: Any, world: StandIn, sheet: str = "now", size: dict[str, int] = DESK, **more: Any) -> Any:
    page = new_page(size, **more)
    page.goto(f"{world.url}/#/{sheet}")
    expect(page.locator("main .titleblock")).to_be_visible()
    return page


def test_the_sentence_comes_first_and_says_when(new_page, stand_in):
    page = open_at(new_page, stand_in)
    expect(page.locator("h1")).to_have_text(
        re.compile(r"SIMULATED, up to 600 times real time\. Soaking\. Cooling starts in .+, at \d\d:\d\d\.")
    )


def test_simulated_stands_in_words_wherever_it_must(new_page, stand_in):
    page = open_at(new_page, stand_in)
    expect(page).to_have_title(re.compile("SIMULATED"))
    for place in ("h1", "svg.circuit", ".titleblock"):
        expect(page.locator(place).first).to_contain_text("SIMULATED")
    assert page.locator("svg.circuit .rail").count() == 4, "both rails are drawn double"


def test_a_real_chamber_is_called_simulated_nowhere(new_page, stand_in):
    stand_in.now["chamber"]["simulated"], stand_in.now["speed"] = False, 1
    page = open_at(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text("Soaking")
    assert "SIMULATED" not in page.locator("body").inner_text() + page.title()


def test_it_says_hot_until_it_is_not(new_page, stand_in):
    page = open_at(new_page, stand_in)
    expect(page.locator("[data-reading=air] .caption")).to_have_text("air, hot to touch")
    stand_in.push(readings=[{**reading, "mc": 44_000} for reading in stand_in.now["readings"]])
    expect(page.locator("[data-reading=air] .caption")).to_have_text("air")


def test_the_circuit_is_a_list_to_a_screen_reader(new_page, stand_in):
    page = open_at(new_page, stand_in)
    rows = page.get_by_role("list", name="Heater circuit, from L to N").get_by_role("listitem")
    expect(rows).to_have_count(6)
    expect(rows.nth(3)).to_contain_text("contactor")
    expect(rows.nth(3)).to_contain_text("closed")
    assert page.get_by_role("list", name="Permit: permit").get_by_role("listitem").count() == 7


def test_a_healthy_sheet_needs_no_scrolling_and_has_no_colour(new_page, stand_in):
    page = open_at(new_page, stand_in)
    expect(page.locator(".plan .part")).to_be_attached()
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight"), "1440 x 900 shows all of Now"
    assert page.locator(".bad, .m-trip, .m-warn, .culprit").count() == 0


def test_values_are_grey_at_two_seconds_and_hollow_at_five(new_page, stand_in):
    page = new_page()
    page.clock.install()
    page.goto(stand_in.url)
    expect(page.locator(".reading.first.good")).to_be_visible()
    stand_in.tell("silent")
    page.clock.run_for(2_600)
    expect(page.locator(".reading.first.late")).to_be_visible()
    page.clock.run_for(2_900)
    expect(page.locator(".reading.first.stale")).to_be_visible()
    expect(page.locator("h1")).to_contain_text("No news for")
    expect(page.locator("dt")).to_have_text(["Not known", "Known", "Do now", "Worry if"])
    assert page.locator(".symbol:not([data-state=unknown])").count() == 0, "nothing old looks new"
    assert page.locator(".m-trip, .bad").count() == 0, "the chamber may be fine: no red"


def test_it_comes_back_by_itself_after_refusals(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource", "net::ERR"]
    page = new_page()
    page.clock.install()
    page.goto(stand_in.url)
    expect(page.locator("main .titleblock")).to_be_visible()
    stand_in.tell("cut")
    stand_in.stream = "refused"
    page.clock.run_for(6_000)
    expect(page.locator("h1")).to_contain_text("No news for")
    expect(page.locator(".more")).to_contain_text("Trying again in")
    stand_in.tell("live")
    stand_in.push(sentence="Back again.")
    expect(page.locator("h1")).to_contain_text("Back again.", timeout=15_000)


def test_stop_heating_works_when_the_stream_is_dead(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource", "net::ERR"]
    page = open_at(new_page, stand_in)
    stand_in.tell("silent")
    stand_in.now["stop"] = {"by": "local", "accepted_utc_us": TRIPPED_AT_US, "off_seen_utc_us": TRIPPED_AT_US + 200_000}
    page.get_by_role("button", name="Stop heating").click()
    expect(page.locator("#stations .station.solid")).to_have_count(3)
    expect(page.locator("#stations li")).to_have_text(
        [re.compile(r"asked \d\d:\d\d:\d\d\.\d"), re.compile(r"accepted \d\d:"), re.compile(r"heat seen off \d\d:")]
    )
    assert ("/stop-heating", {}) in stand_in.asked


def test_the_asked_time_never_jumps_however_fast_the_demo(new_page, stand_in):
    """Every text that the first station ever had is the same, and no later than accepted, nor that than seen off."""
    assert stand_in.now["speed"] == 600
    page = open_at(new_page, stand_in)
    page.wait_for_timeout(600)  # six minutes at this speed, if the page went on by itself
    page.evaluate("""() => { window.said = new Set(); const look = () => {
      const first = document.querySelector('#stations li').innerText; if (/\\d/.test(first)) said.add(first); };
      new MutationObserver(look).observe(document.querySelector('#stations'),
        {subtree: true, childList: true, characterData: true}); }""")
    at_us = stand_in.now["utc_us"] + 1_000_000
    stand_in.now["stop"] = {"by": "local", "accepted_utc_us": at_us, "off_seen_utc_us": at_us + 200_000}
    page.get_by_role("button", name="Stop heating").click()
    expect(page.locator("#stations .station.solid")).to_have_count(3)
    assert len(page.evaluate("[...said]")) == 1
    times = re.findall(r"\d\d:\d\d:\d\d\.\d", page.locator("#stations").inner_text())
    assert len(times) == 3 and times == sorted(times)


def test_small_fuse_and_link_differ_in_ink_alone(new_page, stand_in):
    """No filled panel: boxes are empty, and only the fuse has filled ends, explained in the legend."""
    page = open_at(new_page, stand_in, "legend")
    for place in ("svg.small-circuit", "#small-symbols"):
        expect(page.locator(f"{place} [data-part=supply] .ends")).to_have_count(1)
        expect(page.locator(f"{place} [data-part=thermal_link] .ends")).to_have_count(0)
        fills = page.locator(f"{place} .symbol rect").evaluate_all("all => all.map((one) => getComputedStyle(one).fill)")
        assert fills and set(fills) == {"none"}
    expect(page.locator("#small-symbols")).to_contain_text("its ends are filled")


def test_an_unanswered_stop_says_not_confirmed_and_goes_on_asking(new_page, stand_in):
    new_page.allowed += ["503", "Failed to load resource"]
    page = open_at(new_page, stand_in)
    stand_in.stops_answer = False
    page.locator("#stop").click()
    expect(page.locator("#stations .m-diamond")).to_be_visible(timeout=8_000)
    expect(page.locator("#stations")).to_contain_text(re.compile(r"not confirmed, \d+\ss"))
    expect(page.locator("#stations")).to_contain_text("pull the plug if you can")
    expect(page.locator("#stop")).to_be_enabled()
    stand_in.now["stop"] = {"by": "local", "accepted_utc_us": TRIPPED_AT_US, "off_seen_utc_us": None}
    stand_in.stops_answer = True
    expect(page.locator("#stations")).to_contain_text(re.compile(r"accepted \d\d:"), timeout=8_000)
    assert sum(path == "/stop-heating" for path, _ in stand_in.asked) > 2


def test_a_trip_has_four_parts_one_flag_and_one_culprit(new_page, stand_in):
    stand_in.now |= tripped()
    page = open_at(new_page, stand_in)
    expect(page.locator("h1")).to_contain_text(re.compile(r"Heat is off\. The chamber tripped at \d\d:\d\d\."))
    expect(page.locator("dt")).to_have_text(["Cause", "Done already", "Do now", "Worry if"])
    expect(page.locator(".first-out")).to_have_count(1)
    assert page.locator("svg.circuit [data-part].culprit").evaluate_all(
        "list => list.map((one) => one.dataset.part)"
    ) == ["modulator"]
    expect(page.locator("#alarms-says")).to_contain_text("tripped")
    expect(page.locator("#stations .station.solid")).to_have_count(3)
    expect(page.locator("#stations")).to_contain_text(re.compile(r"asked \d\d:\d\d:\d\d\.\d, by the trip"))
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.get_by_role("button", name="Clear this trip")).to_have_count(0)
    page.wait_for_function("true")
    assert any(path == "/alarms/rise_with_heat_off/acknowledge" for path, _ in stand_in.asked)
    new_page.allowed.append("404")


def test_a_trip_on_a_phone_shows_the_small_circuit_first(new_page, stand_in):
    stand_in.now |= tripped()
    page = open_at(new_page, stand_in, size=PHONE, scheme="dark")
    small, head = page.locator("svg.small-circuit").bounding_box(), page.locator("h1").bounding_box()
    assert small["y"] < head["y"]
    expect(page.locator("#phone-head")).to_contain_text("Tripped")


def test_the_unit_is_remembered(new_page, stand_in):
    page = open_at(new_page, stand_in)
    page.locator("#margin .unit-switch").click()
    expect(page.locator(".reading.first .unit")).to_contain_text("°F")
    page.reload()
    expect(page.locator(".reading.first .unit")).to_contain_text("°F")


def test_names_are_shown_as_they_are_written(new_page, stand_in):
    stand_in.now["run"]["name"] = '<img src=x onerror="document.title=1">&'
    page = open_at(new_page, stand_in)
    expect(page.locator(".titleblock")).to_contain_text('<img src=x onerror="document.title=1">&')
    assert page.locator("main img").count() == 0


def test_mistakes_are_told_at_their_fields_as_you_type(new_page, stand_in):
    mistake = {
        "field": "segment 2 soak_h",
        "value": "900 h",
        "allowed": "0.0166667 to 72 h",
        "advice": "Change it in this soak.",
    }
    stand_in.answers["POST /schedules/preview"] = preview(mistake)
    page = open_at(new_page, stand_in, "schedules/new")
    with page.expect_response(lambda answer: "900" in (answer.request.post_data or "")):
        page.get_by_label("in band for").fill("900")
    expect(page.locator("#why-segment-2-soak_h")).to_contain_text("allowed is 0.0166667 to 72 h")
    expect(page.get_by_label("in band for")).to_have_attribute("aria-invalid", "true")
    assert stand_in.asked[-1][1]["segments"][1]["soak_h"] == 900


def test_less_motion_and_print_are_respected(new_page, stand_in):
    page = open_at(new_page, stand_in, reduced_motion="reduce")
    assert page.locator(".blade").first.evaluate("(one) => getComputedStyle(one).transitionDuration") == "0s"
    page.emulate_media(media="print")
    expect(page.locator(".stopbar")).to_be_hidden()
    expect(page.locator("h1")).to_be_visible()


def test_forced_colours_keep_lines_and_words(new_page, stand_in):
    page = open_at(new_page, stand_in, forced_colors="active")
    page.wait_for_selector("svg.circuit .rail", state="attached")
    paper, line = page.locator("svg.circuit .rail").first.evaluate(
        "(one) => [getComputedStyle(document.body).backgroundColor, getComputedStyle(one).stroke]"
    )
    assert line not in (paper, "none")


def test_listeners_of_a_sheet_go_with_it(new_page, stand_in):
    stand_in.answers["POST /schedules/preview"] = (
        200,
        {
            "curve": [[0, 21000], [3600000000, 41000]],
            "duration_us": 3600000000,
            "from_mc": 21000,
            "mistakes": [],
            "cannot_start": [],
        },
    )
    page = open_at(new_page, stand_in, "schedules/new")
    for _ in range(3):
        page.goto(f"{stand_in.url}/#/legend")
        expect(page.locator("h1")).to_have_text("Legend")
        page.goto(f"{stand_in.url}/#/schedules/new")
        expect(page.get_by_label("Name")).to_be_visible()
    page.wait_for_timeout(400)
    before = len(stand_in.asked)
    page.get_by_label("Name").fill("Once")
    page.wait_for_timeout(700)
    assert len(stand_in.asked) - before == 1, "one change asks once, however often the sheet was opened"


def test_the_last_sheet_asked_for_is_shown_however_slow_the_first_is(new_page, stand_in):
    page = open_at(new_page, stand_in)
    slow = []
    page.route("**/sheets/alarms.js", lambda route: slow.append(route))
    page.evaluate("location.hash = '#/alarms'")
    page.wait_for_function("true")
    page.evaluate("location.hash = '#/legend'")
    expect(page.locator("h1")).to_have_text("Legend")
    slow[0].continue_()
    page.wait_for_timeout(300)
    expect(page.locator("h1")).to_have_text("Legend")


CLEAR = """([size, minutes]) => Promise.all([import('/parts/plan.js'), import('/parts/trace.js')]).then(([m, { Trace }]) => {
  const H = 3600e6, start = 1764061200e6, plan = [[0, 25000], [4 * H, 105000], [12 * H, 105000], [15.25 * H, 40000]];
  const target = (us) => { for (let i = 1; i < plan.length; i += 1) if (us <= plan[i][0]) return plan[i - 1][1]
    + (plan[i][1] - plan[i - 1][1]) * (us - plan[i - 1][0]) / (plan[i][0] - plan[i - 1][0]); return 40000; };
  const trace = new Trace(), at = minutes * 60e6;
  for (let us = 0; us <= at; us += Math.max(1e6, at / 200)) trace.addRange(start + us, {control: [target(us) + 600,
    target(us) + 900], part: [target(us - 6e8), target(us - 6e8)]});
  const step = at < 4 * H ? ['the soak starts', 4] : at < 12 * H ? ['cooling starts', 12] : ['the run is complete', 15.25];
  const run = {started_utc_us: start, plan, run_ceiling_mc: 112000, end: '', state: 'running',
    next: {what: step[0], utc_us: start + step[1] * H}, segments: [
    {kind: 'ramp', target_mc: 105000, rate_mc_per_h: 20000, band_mc: 2000}, {kind: 'soak', target_mc: 105000,
    soak_us: 8 * H, band_mc: 2000}, {kind: 'cool', target_mc: 40000, rate_mc_per_h: 20000, band_mc: 2000}]};
  const view = m.presentPlan({run, trace, nowUs: start + at, dataUs: start + at, hotMc: 45000, unit: 'C'});
  const host = document.querySelector('main'); host.innerHTML = m.drawPlan(view, size).text;
  const svg = host.querySelector('svg').getBoundingClientRect();
  const boxes = [...host.querySelectorAll('.next-step text')].map((one) => one.getBoundingClientRect());
  const hits = [];
  for (const kind of ['forecast', 'air', 'part', 'zone-edge']) for (const line of host.querySelectorAll('path.' + kind)) {
    const long = line.getTotalLength();
    for (let far = 0; far <= long; far += 1.5) { const {x, y} = line.getPointAtLength(far);
      if (boxes.some((box) => x + svg.left > box.left && x + svg.left < box.right && y + svg.top > box.top
        && y + svg.top < box.bottom)) { hits.push(kind); break; } } }
  const out = boxes.some((box) => box.left < svg.left || box.right > svg.right || box.top < svg.top || box.bottom > svg.bottom);
  return [boxes.length, hits, out]; })"""


MINUTES = [0.2, 2, 10, 40, 120, 200, 235, 250, 480, 700, 719, 722, 760, 850, 910]


def test_the_next_step_is_crossed_by_no_line(new_page, stand_in):
    """First minutes, the ramp, the soak, cooling; on a desk and on a phone."""
    new_page.allowed.append("404")
    page = new_page()
    page.goto(f"{stand_in.url}/blank")
    sheets = "".join(f'<link rel="stylesheet" href="/style/{name}.css">' for name in ("tokens", "lines", "sheet"))
    page.set_content(f"{sheets}<main></main>")
    sizes = ({"width": 854, "height": 300}, {"width": 354, "height": 244, "phone": True})
    found = {(size["width"], at): page.evaluate(CLEAR, [size, at]) for size in sizes for at in MINUTES}
    lines = {854: 2, 354: 1}
    assert {key: seen for key, seen in found.items() if seen != [lines[key[0]], [], False]} == {}


def test_the_skip_link_shows_with_focus_only(new_page, stand_in):
    """A picture of the whole sheet is as high as the sheet: what is only pushed above the window would be in it."""
    page = open_at(new_page, stand_in, size=PHONE)
    clip = "(one) => getComputedStyle(one).clipPath"
    assert page.locator(".skip").evaluate(clip) == "inset(50%)"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.locator(".skip").evaluate(clip) == "none"


def test_the_record_says_nothing_good_of_itself_while_it_fails(new_page, stand_in):
    page = open_at(new_page, stand_in, "record")
    lead = page.locator(".sheet-head .lead")
    expect(lead).to_contain_text("Each run keeps its readings")
    stand_in.push(record={"failing": "record.db was deleted or exchanged while in use", "lost": 1})
    expect(lead).to_contain_text("The record fails now: record.db was deleted or exchanged while in use.")
    expect(lead).not_to_contain_text("keeps")
