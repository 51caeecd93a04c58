"""The page's pure modules, run inside Chromium: words, units, rulers, the stop stations, the trace."""

from __future__ import annotations

import pytest

NB = "\u00a0"
H = 3_600_000_000


@pytest.fixture(scope="module")
def run(chromium):
    """Evaluate an expression with the modules at hand."""
    from tests.browser.stand_in import StandIn

    world = StandIn()
    page = chromium.new_page(timezone_id="Europe/Berlin")
    page.goto(f"{world.url}/blank")

    def evaluate(module: str, expression: str):
        return page.evaluate(
            f"async () => {{ const m = await import('{world.url}/{module}.js'); return {expression}; }}"
        )

    yield evaluate
    page.close()
    world.close()


# Fahrenheit: 32 + 1.8 C by definition; a difference is scaled only.
WORDS = [
    ("m.temperature(104700)", "104.7"),
    ("m.temperature(-40000, 'F')", "−40.0"),
    ("m.temperature(100000, 'F')", "212.0"),
    ("m.difference(1000, 'F')", "1.8"),
    ("m.temperature(-20)", "0.0"),
    ("m.warmShort(128000)", f"128{NB}°C"),
    ("m.warmShort(128500)", f"128.5{NB}°C"),
    ("m.plusMinus(600)", f"±0.6{NB}°C"),
    ("m.signed(-300)", f"−0.3{NB}°C"),
    ("m.signed(300)", f"+0.3{NB}°C"),
    ("m.rate(20000)", f"20{NB}°C/h"),
    ("m.percent(2400)", f"24{NB}%"),
    ("m.wait(11520e6)", f"3{NB}h{NB}12{NB}min"),
    ("m.wait(59.6e6)", f"1{NB}min"),
    ("m.wait(40e6)", f"40{NB}s"),
    ("m.wait(7200e6)", f"2{NB}h"),
    ("m.counted(17280e6)", f"4{NB}h{NB}48"),
    ("m.age(800)", f"0.8{NB}s"),
    ("m.age(47000)", f"47{NB}s"),
    ("m.age(null)", "not known"),
    ("m.clock(1764061234000000)", "10:00"),
    ("m.clockSeconds(1764061234100000, true)", "10:00:34.1"),
    (
        "m.withClock('Soaking. Cooling starts in 3 h 12 min.', 1764061234000000)",
        "Soaking. Cooling starts in 3 h 12 min, at 10:00.",
    ),
    ("m.withClock('Nothing runs.', 1764061234000000)", "Nothing runs."),
    (
        "m.withClock('Heating up. The soak starts in 26 min.', 1764061234000000, 1764061234000000 - 26.6 * 60e6)",
        f"Heating up. The soak starts in 27{NB}min, at 10:00.",
    ),
    (
        "m.withClock('Heating up. The soak starts in less than a minute.', 1764061234000000, 1764061234000000 - 40e6)",
        f"Heating up. The soak starts in 40{NB}s, at 10:00.",
    ),
    ("m.watched(6000, '°C')", f"6.0{NB}°C"),
    ("m.watched(12000, 'K')", f"12.0{NB}°C"),
    ("m.watched(12000, 'K', 'F')", f"21.6{NB}°F"),
    ("m.watched(500, 'K', 'F')", f"0.9{NB}°F"),
    ("m.watched(1, 'sensors')", f"1{NB}sensor"),
    ("m.watched(1, '')", ""),
    ("m.watched(4.8e6, 's')", f"4.8{NB}s"),
    ("m.simulatedWords({chamber: {simulated: true}, speed: 60})", "SIMULATED, up to 60 times real time"),
    ("m.simulatedWords({chamber: {simulated: false}, speed: 60})", ""),
]


@pytest.mark.parametrize(("expression", "words"), WORDS)
def test_words_units_and_times(run, expression, words):
    assert run("text", expression) == words


def test_markup_escapes_every_value(run):
    assert (
        run("markup", "m.html`<b title=\"${'\"<'}\">${'<i>&'}</b>${[1, null, false]}`.text")
        == '<b title="&quot;&lt;">&lt;i&gt;&amp;</b>1'
    )


def test_a_redraw_keeps_focus_and_what_was_typed(run):
    assert run(
        "markup",
        """(() => {
      const host = document.createElement('div'); document.body.append(host);
      m.show(host, m.html`<p>one</p><input id="kept" value="a">`);
      const field = host.querySelector('input'); field.value = 'typed';
      m.show(host, m.html`<p class="x">two</p><p>more</p><input id="kept" value="a">`);
      const same = field === host.querySelector('input') && field.value === 'typed'
        && host.querySelector('p').textContent === 'two';
      host.remove(); return same; })()""",
    )


def test_late_is_over_two_seconds_and_stale_over_five(run):
    assert run("state", "[0, 2000, 2001, 5000, 5001, null, NaN].map(m.ageClass)") == [
        "good",
        "good",
        "late",
        "late",
        "stale",
        "stale",
        "stale",
    ]


def test_a_trace_keeps_the_spike_and_never_bridges_a_gap(run):
    spike = run(
        "parts/trace",
        f"""(() => {{ const t = new m.Trace();
      for (let s = 0; s < 7200; s += 1) if (s < 2000 || s > 5000)
        t.add([[s, s * 1e6, 1000, s === 777 ? 99000 : 50000, 50000, null, 0, 0]]);
      const points = t.columns(0, 2 * {H}, 60);
      const joined = m.Trace.joinedUs(points);
      return [Math.max(...points.map((p) => p.control[1])),
        points.slice(1).filter((p, i) => p.utc_us - points[i].utc_us > joined).length,
        points.length <= 60, 'part' in points[0]]; }})()""",
    )
    assert spike == [99_000, 1, True, False]


def test_detail_a_is_exactly_ten_times_the_plan(run):
    ratio = run(
        "parts/plan",
        """(async () => {
      const { presentDetail } = await import(new URL('parts/detail.js', location.origin + '/'));
      const { Trace } = await import(new URL('parts/trace.js', location.origin + '/'));
      const trace = new Trace(); const H = 3600e6;
      for (let us = 0; us < 9 * H; us += 2e7) trace.addRange(us, { control: [105000, 105400], part: [104700, 104700] });
      const run = { started_utc_us: 0, plan: [[0, 25000], [4 * H, 105000], [12 * H, 105000]],
        run_ceiling_mc: 112000, end: '', next: null,
        segments: [{ kind: 'ramp', target_mc: 105000, band_mc: 2000 },
          { kind: 'soak', target_mc: 105000, soak_us: 8 * H, band_mc: 2000 }] };
      const view = m.presentPlan({ run, trace, nowUs: 9 * H, dataUs: 9 * H, hotMc: 45000, unit: 'C' });
      const detail = presentDetail(view, trace, m.planScale(view, { height: 300 }));
      const last = detail.points.at(-1);
      return [detail.perMc / Math.abs(m.planScale(view, { height: 300 })), last.part[2],
         view.points.at(-1).part[2], detail.target, detail.band]; })()""",
    )
    assert ratio == [10, 104_700, 104_700, 105_000, 2_000]


@pytest.mark.parametrize(
    ("press", "ms", "words"),
    [
        ("{askedMs: null}", 0, ["asked", "accepted", "heat seen off"]),
        ("{askedMs: 0, askedUtcUs: 0, accepted: false, acceptedUtcUs: null}", 2_999, ["asked", "accepted", "heat seen off"]),
        (
            "{askedMs: 0, askedUtcUs: 0, accepted: false, acceptedUtcUs: null}",
            3_000,
            ["asked", f"not confirmed, 3{NB}s", "pull the plug if you can"],
        ),
        ("{askedMs: 0, askedUtcUs: 0, accepted: true, acceptedUtcUs: 5}", 60_000, ["asked", "accepted", "heat seen off"]),
    ],
)
def test_a_sent_stop_is_never_shown_as_done(run, press, ms, words):
    three = run("stop", f"m.stations({press}, null, {ms})")
    assert [one["word"] for one in three] == words
    assert not three[2].get("solid"), "heat is seen off only when somebody saw it"


def test_asked_is_never_later_than_accepted_nor_accepted_than_off(run):
    """A page that carries on a fast clock by itself runs ahead of the controller."""
    press = "{askedUtcUs: 90, acceptedUtcUs: 50, offUtcUs: 51}"
    assert run("stop", f"m.ordered({press})") == {"asked": 50, "accepted": 50, "off": 51}
    assert run("stop", "m.ordered({askedUtcUs: 90, acceptedUtcUs: 95, offUtcUs: 60})") == {
        "asked": 60,
        "accepted": 60,
        "off": 60,
    }
    assert run("stop", "m.ordered({askedUtcUs: 40, acceptedUtcUs: 50, offUtcUs: null}).asked") == 40


def test_a_press_is_timed_by_the_clock_that_accepts_it(run):
    """At speed 300 a page that carried the clock on by itself was 20 s ahead; asked then jumped back."""
    fast = "{now: {utc_us: 1000, speed: 300}, utcNow: () => 2e7, staleMs: () => null}"
    old = "{now: {utc_us: 1000, speed: 300}, utcNow: () => 2e7, staleMs: () => 9000}"
    wall = "{now: {utc_us: 1000, speed: 1}, utcNow: () => 1400}"
    assert run("stop", f"[m.askedAt({fast}), m.askedAt({wall}), m.askedAt({{now: null, utcNow: () => 7}})]") == [1000, 1400, 7]
    assert run("stop", f"m.askedAt({old})") == 20_000_000, "without news the press is not as old as the last news"


def test_accepted_has_no_time_of_the_pages_own(run):
    three = run("stop", "m.stations({askedMs: 0, askedUtcUs: 9, accepted: true, acceptedUtcUs: null}, null, 10)")
    assert [one["word"] for one in three] == ["asked", "accepted", "heat seen off"]
    assert three[1] == {"word": "accepted", "time": "", "solid": True}


def test_a_snapshot_from_before_the_press_does_not_answer_it(run):
    said = "[[0, null], [5e6, 5e6], [5e6, 5000004], [5e6, 6e6]].map(([before, accepted_utc_us]) => m.tellsOf({before}, "
    assert run("stop", f"{said}{{stop: {{accepted_utc_us}}}}))") == [False, False, False, True]


@pytest.mark.parametrize(
    ("by", "words"),
    [("local, not signed in", " at the latest, by somebody at this computer"), ("trip: smoke", ", by the trip")],
)
def test_a_page_opened_later_says_when_the_stop_was_asked(run, by, words):
    stop = f"{{by: '{by}', accepted_utc_us: 1764061234100000, off_seen_utc_us: 1764061234500000}}"
    now = f"{{stop: {stop}, board: {{present: true}}, run: {{state: 'aborted'}}}}"
    three = run("stop", f"m.stations({{askedMs: null}}, {now}, 0)")
    assert [one["time"] + one.get("more", "") for one in three] == [f"10:00:34.1{words}", "10:00:34.1", "10:00:34.5"]


def test_an_open_contact_leaves_a_thin_line_behind_it(run):
    weights = run(
        "parts/circuit",
        """(async () => {
      const now = await (await fetch('/api/v1/now')).json();
      now.circuit.contactor.state = 'open'; now.permit.given = false;
      for (const part of Object.values(now.circuit)) part.current = false;
      return m.presentCircuit(now).parts.map((part) => part.out); })()""",
    )
    assert weights == ["volt", "volt", "volt", "thin", "thin", "thin"]


PHASES = [
    # (switch reads on, current in mA or None where nothing senses it, seen and asked share, a pulse was seen before)
    ("on, sensed", (True, 2_100, 2_300, 2_400, True), "amp", ("whole", "pulsing", "heating"), "on at the last report"),
    ("between, sensed", (False, 0, 2_300, 2_400, True), "thin",
     ("whole at the last pulse", "pulsing", "between two pulses"), "off at the last report"),
    ("between, page just opened", (False, 0, 2_300, 2_400, False), "thin",
     ("not known", "pulsing", "between two pulses"), "off at the last report"),
    ("on, no sense", (True, None, 2_300, 2_400, False), "amp", ("not known", "pulsing", "heating"), "on at the last"),
    ("between, no sense", (False, None, 2_300, 2_400, False), "thin",
     ("not known", "pulsing", "between two pulses"), "off at the last report"),
    ("first window", (False, 0, 0, 2_400, False), "thin", ("not known", "waiting", "off"), "no whole window"),
    ("full heat", (True, 2_100, 10_000, 10_000, True), "amp", ("whole", "passing", "heating"), "all of each 40"),
    ("permitted, nothing asked", (False, 0, 0, 0, False), "thin", ("not known", "not passing", "off"), "off at"),
]


@pytest.mark.parametrize(("phase", "seen", "line", "words", "says"), PHASES, ids=[row[0] for row in PHASES])
def test_the_circuit_never_contradicts_the_last_report(run, phase, seen, line, words, says):
    """The modulator works in windows: a heavy line stands only where the last report saw the current or the switches."""
    on, current_ma, seen_e4, asked_e4, passed = seen
    heating = on if current_ma is None else current_ma > 0
    link = "whole" if current_ma else "unknown"
    said = run(
        "parts/circuit",
        f"""(async () => {{
      const now = await (await fetch('/api/v1/now')).json();
      const flows = {str(heating).lower()};
      now.current_ma = {"null" if current_ma is None else current_ma};
      now.seen.duty_e4 = {seen_e4}; now.request.duty_e4 = {asked_e4}; now.passed = {str(passed).lower()};
      for (const part of Object.values(now.circuit)) part.current = flows;
      now.circuit.thermal_link.state = '{link}';
      Object.assign(now.circuit.modulator, {{state: '{"passing" if on else "not passing"}',
        words: 'off at the last report'}});
      now.circuit.element.state = flows ? 'heating' : 'off';
      const parts = Object.fromEntries(m.presentCircuit(now).parts.map((part) => [part.kind, part]));
      return [parts.modulator.out, parts.element.into, parts.supply.out === 'amp', parts.modulator.state,
        [parts.thermal_link.word, parts.modulator.word, parts.element.word], parts.modulator.lines.join(' | '),
        parts.element.lines.join(' ')]; }})()""",
    )
    after, element, heavy, blade, told, lines, amperes = said
    assert (after, element, heavy) == (line, line, line == "amp")
    assert blade == ("closed" if on else "open")
    assert tuple(told) == words and says in lines.replace(NB, " ")
    assert ("0.00" in amperes) <= (not heating), "no current in the last report and heating do not stand together"


def test_the_contact_of_what_tripped_first_is_the_red_one(run):
    """Later ones open too: a silent board's readings grow old. The flag stands where the guard table says."""
    said = run(
        "parts/circuit",
        """(async () => {
      const now = await (await fetch('/api/v1/now')).json();
      now.permit.given = false; now.board.present = false;
      for (const one of now.permit.contacts.slice(0, 2)) one.closed = false;
      now.latches = [{guard: 'board_silent', first_out: true, utc_us: 0}];
      const view = m.presentCircuit(now, null, null, 'C', [{id: 'board_silent', contact: 'board'}]);
      return [view.flag, view.permit.contacts.filter((one) => one.culprit).map((one) => one.name),
        m.presentCircuit(now).flag]; })()""",
    )
    assert said == ["permit:board", ["board"], "permit:sensors"]


@pytest.mark.parametrize(
    ("deviation", "counts", "segment", "words"),
    [
        (-2_100, "part", "ramp", "behind the air, as expected in a ramp"),
        (2_100, "part", "cool", "behind the air, as expected in cooling"),
        (2_100, "part", "ramp", "ahead of it, in a ramp"),
        (-2_100, "air", "ramp", "behind it, in a ramp"),
        (-2_100, "part", "soak", f"out of band, ±2{NB}°C"),
        (-1_900, "part", "soak", f"in band ±2{NB}°C"),
    ],
)
def test_only_a_soak_has_a_band(run, deviation, counts, segment, words):
    run_now = f"{{segment: 0, segments: [{{kind: '{segment}'}}]}}"
    air = f"air_mc: 50000, part_mc: {50_000 + deviation}"
    now = f"{{deviation_mc: {deviation}, band_mc: 2000, counts: '{counts}', {air}, run: {run_now}}}"
    assert run("parts/readings", f"m.againstPlan({now}, 'C')").replace(".0", "") == words


@pytest.mark.parametrize(
    ("state", "segment", "deviation", "air", "words"),
    [
        ("held", "ramp", -2_100, 50_000, "below it, which stands still"),
        ("holding", "cool", 2_100, 50_000, "above it, which stands still"),
        ("restarting", "ramp", -200, 50_000, "close to it, which stands still"),
        ("held", "soak", -2_100, 50_000, f"out of band, ±2{NB}°C"),
        ("held", "soak", 100, 50_000, f"in band ±2{NB}°C"),
        ("stopping", "ramp", -2_100, 50_000, "ahead of it, in cooling"),
        ("stopping", "soak", 2_100, 50_000, "behind the air, as expected in cooling"),
        ("running", "ramp", -2_100, 47_000, "behind it, in a ramp"),
        ("running", "ramp", -2_100, "null", "behind it, in a ramp"),
    ],
)
def test_what_is_said_of_the_plan_is_true_in_every_state(run, state, segment, deviation, air, words):
    """Held, nothing is expected to lag; and the part is behind the air only where the air is ahead of it."""
    run_now = f"{{state: '{state}', segment: 0, segments: [{{kind: '{segment}'}}]}}"
    part = 50_000 + deviation
    now = f"""{{deviation_mc: {deviation}, band_mc: 2000, counts: 'part', air_mc: {air}, part_mc: {part},
      run: {run_now}}}"""
    assert run("parts/readings", f"m.againstPlan({now}, 'C')").replace(".0", "") == words


def test_an_ended_run_has_no_forecast_and_a_young_one_no_detail(run):
    seen = run(
        "parts/plan",
        f"""[['', 'running', 9], ['', 'running', 11], ['stopped', 'aborted', 30]].map(([end, state, minutes]) => {{
      const points = []; for (let s = -600; s <= minutes * 60; s += 20) points.push({{utc_us: s * 1e6, control: [1, 1, 1]}});
      const run = {{started_utc_us: 0, elapsed_us: minutes * 6e7, plan: [[0, 25000], [4 * {H}, 105000], [8 * {H}, 25000]],
        run_ceiling_mc: 112000, end, state, segments: [], next: {{what: 'x', utc_us: 5}}}};
      const view = m.presentPlan({{run, trace: {{columns: () => points}}, nowUs: minutes * 6e7, dataUs: 0,
        hotMc: 45000, unit: 'C'}});
      return [m.hasDetail(view), view.cool !== null, view.next !== null]; }})""",
    )
    assert seen == [[False, True, True], [True, True, True], [True, False, False]]


@pytest.mark.parametrize("state", ["running", "aborted"])
def test_a_run_nobody_ended_is_cut_short(run, state):
    row = f"{{going: false, state: '{state}', end: 'the record stops here', cut: true}}"
    assert run("sheets/record", f"[m.stateWord({row}), m.endWords({row})]") == [
        "cut short",
        "cut short: the record stops here",
    ]


def test_a_number_goes_as_typed_when_it_is_none(run):
    assert run("sheets/schedule_edit", "['8', '7,5', '', 'x', ' 2 '].map(m.number)") == [8, 7.5, "", "x", 2]


def test_a_soak_is_one_stretch_although_it_is_planned_anew_from_now(run):
    spans = run(
        "parts/plan",
        f"""m.segmentSpans([[0, 25000], [4 * {H}, 105000], [6 * {H}, 105000], [12 * {H}, 105000],
      [15 * {H}, 40000]], [{{kind: 'ramp', target_mc: 105000}}, {{kind: 'soak', target_mc: 105000}},
      {{kind: 'cool', target_mc: 40000}}], 0).map((span) => [span.fromUs / {H}, span.toUs / {H}])""",
    )
    assert spans == [[0, 4], [4, 12], [12, 15]]


def test_words_and_line_touch_as_they_do_on_paper(run):
    box = "{x: 10, y: 10, width: 20, height: 10}"
    lines = "[[0, 0, 5, 50], [0, 15, 40, 15], [20, 0, 20, 40], [0, 30, 60, 30], [12, 12, 14, 14], [0, 0, 40, 30]]"
    assert run("parts/place", f"{lines}.map((line) => m.touches({box}, line))") == [False, True, True, False, True, True]


@pytest.mark.parametrize(
    ("hottest", "words"),
    [
        (123_000, "130 °C on every sensor, in the board too"),
        (
            140_000,
            "none: too hot by 17.0 °C. This chamber’s limit is 130 °C, and a run keeps 7.0 °C below it",
        ),
    ],
)
def test_a_start_that_is_too_hot_names_no_impossible_limit(run, hottest, words):
    limits = "{ceiling_mc: 130000, run_margin_mc: 7000}"
    said = run("sheets/schedule_start", f"m.limitOfRun({hottest}, {limits}, 'C')")
    assert said.replace(NB, " ") == words


@pytest.mark.parametrize(
    ("draft", "words"),
    [("drawn: true, curve: [[0, 1]]", "the curve is right all the same"), ("curve: [[0, 1]]", "the last one without")],
)
def test_the_verdict_says_which_curve_is_shown(run, draft, words):
    mistake = "{field: 'name', value: '', allowed: '', advice: ''}"
    judged = f"judged: true, named: true, mistakes: [{mistake}], cannot: [], id: null, saved: '', error: '', key: 'k'"
    held = f"{{draft: {{{judged}, {draft}, data: {{name: '', note: '', segments: []}}}}}}"
    state = f"{{unit: 'C', layout: {{kind: 'phone', width: 300}}, held: {held}, ageMs: () => 0}}"
    assert words in run("sheets/schedule_edit", f"m.render({state}).text")
