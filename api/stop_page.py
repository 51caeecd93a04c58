"""The plain page for stopping: GET /stop shows a button for each chamber, POST /stop presses it, and nothing else acts.

It runs no script and needs no stream. It works for whoever is signed in, on this computer, and with a stop key in the address
(a bookmark). Chat programs and search engines fetch links, so opening one never does anything.
"""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.desk.store import utc_us
from api.door.book import Scope
from api.door.caller import Caller, by_token, cookies, set_cookie
from api.door.door import SESSION_S, Door
from api.door.names import kept
from api.errors import PROBLEMS, Problem
from api.parts import Parts, WholeHouse
from api.people import Person, TheDoor, Who, person_of, role_of
from api.plain import Html, age, clock, day, fill, form, joined, page, see_other
from api.presses import Press, Presses, Station, look, said, stations
from api.sign_in import address_of
from controller.messenger.words import whom as called

KEY_MAX = 100
FRESH_US = 30_000_000
CAUTION = ("“Stop heating” is a request over a network, not an emergency stop, and off is not isolated: unplug before you "
           "reach in. If this page does not answer, pull the plug if you can do so without danger.")
ICON = Html('<svg class="stop-icon" width="42" height="20" viewBox="0 0 42 20" aria-hidden="true" fill="none" '
            'stroke="currentColor" stroke-width="2.2"><path d="M1 14h9M10 14L29 2.5M32 14h9M32 9v10"/>'
            '<circle cx="10" cy="14" r="2.6" fill="currentColor" stroke="none"/></svg>')
BUTTON = """<form method="post" action="/stop">
<input type="hidden" name="at" value="{at}"><input type="hidden" name="key" value="{key}">
<input type="hidden" name="proof" value="{proof}">
<button class="stop">{icon}<span>{label}</span></button>
</form>"""
CHAMBER = """<section aria-label="{name}">
<header><p class="chamber">{name}{simulated}</p>
<h1>{sentence}</h1>
<p class="more">{more}</p></header>
{button}
{steps}
</section>"""
SIMULATED = Html(' <span class="simulated">SIMULATED</span>')
SIGN_IN = """<header><p class="chamber">Soakwarden</p><h1>{sentence}</h1><p class="more">{more}</p></header>
<form method="post" action="/stop/sign-in" class="fields">
<label>Name <input name="name" autocomplete="username" autocapitalize="none" maxlength="80" required></label>
<label>Password <input name="password" type="password" autocomplete="current-password" maxlength="200" required></label>
<button class="key">Sign in</button>
</form>
<p class="caution">{caution}</p>"""

router = APIRouter(include_in_schema=False)
Key = Annotated[str, Query(max_length=KEY_MAX)]


def allowed(door: Door, caller: Caller | None, key: str) -> Caller | None:
    """Whoever may press: a key in the address counts before a session. A token for looking may not."""
    found = by_token(door.book, key, utc_us()) if key else caller
    return None if found is None or found.scope is Scope.LOOK else found


def whom(caller: Caller) -> str:
    """What a form's proof is made for."""
    return f"{caller.via} {caller.digest.hex()}"


@router.get("/stop")
async def show(request: Request, house: WholeHouse, door: TheDoor, caller: Who, key: Key = "") -> Response:
    """A button for each chamber."""
    found = allowed(door, caller, key)
    if found is None:
        return _nobody(request, key)
    proof = door.proofs.of(whom(found))
    shown = [_chamber(one, _button(one, key, proof, f"Stop heating: {_name(one)}"))
             for one in house]
    title = f"Stop heating: {', '.join(_title(one) for one in house)}"
    return page(title, joined([*shown, fill('<p class="caution">{words}</p>', words=CAUTION), _foot(found)]))


@router.post("/stop")
async def press(request: Request, house: WholeHouse, door: TheDoor, caller: Who) -> Response:
    """One press. The answer leads to a page that says how far it came."""
    sent = await form(request)
    key, at = sent.get("key", "")[:KEY_MAX], sent.get("at", "")
    found = allowed(door, caller, key)
    if found is None:
        return _nobody(request, key)
    by_secret = bool(key) or found.via == "token"
    if not (by_secret or request.scope["from_own_page"] or door.proofs.fits(whom(found), sent.get("proof", ""))):
        return _refused(403, "This was not pressed on the page.", "Open /stop here and press the button there.")
    service = house.find(at) if at or len(list(house)) == 1 else None
    if service is None:
        return _refused(422, "Which chamber?", f"There is no chamber {at[:40]!r}; open /stop and press its button.")
    presses: Presses = request.app.state.presses
    made = await presses.make(service, _person(found, service))
    return see_other(_said_at(service.at, made.ref, key))


@router.get("/stop/said")
async def told(request: Request, house: WholeHouse, door: TheDoor, caller: Who, at: Annotated[str, Query(max_length=200)] = "",
               ref: Annotated[str, Query(max_length=40)] = "", key: Key = "") -> Response:
    """How far a press came; looks again by itself until the heat is seen off."""
    found = allowed(door, caller, key)
    if found is None:
        return _nobody(request, key)
    service, presses = house.find(at), request.app.state.presses
    made = presses.find(ref, service.at) if service else None
    if service is None or made is None:  # this service was started anew meanwhile
        return see_other(f"/stop?{urlencode({'key': key})}" if key else "/stop")
    now = await look(service, made)
    steps = stations(made, now)
    again_s = None if steps[2].solid else (1 if made.waited_us() < FRESH_US else 3)
    button = _button(service, key, door.proofs.of(whom(found)), f"Stop heating again: {_name(service)}")
    back = fill('<p class="foot-note"><a href="/stop{key}">Every chamber</a></p>',
                key=Html(f"?{urlencode({'key': key})}" if key else ""))
    body = joined([_outcome(service, made, steps, button), fill('<p class="caution">{words}</p>', words=CAUTION), back])
    return page(f"{steps[2].word if steps[2].solid or steps[2].bad else 'Stopping'}: {_title(service)}", body, again_s=again_s)


@router.post("/stop/sign-in")
async def sign_in(request: Request, door: TheDoor) -> Response:
    """Name and password from the plain page."""
    sent = await form(request)
    if not request.scope["from_own_page"]:  # else somebody could sign you in as somebody else
        return _refused(403, "This was not sent from the page.", "Open /stop here and sign in there.")
    name = kept(sent.get("name", "")[:80])
    try:
        signed = await door.sign_in(name, sent.get("password", "")[:200], address_of(request), cookies(request.headers))
    except Problem as problem:
        row = PROBLEMS[problem.code]
        return _ask_name(row.status, f"{row.title}.", f"{problem.detail} {row.advice}", problem.headers)
    secure = door.hosts.secure(request.scope, request.headers.get("host", ""))
    return see_other("/stop", {"Set-Cookie": set_cookie(signed.secret, SESSION_S, secure)})


def _nobody(request: Request, key: str) -> Response:
    """Nobody is recognised. A link from elsewhere comes without the cookie, so it is opened once more from here."""
    if key:
        return _ask_name(401, "This key is not good any more.", "Sign in, or make a new bookmark.")
    if request.method == "GET" and request.headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return page("Stop heating", Html("<p>One moment.</p>"), 401, again_s=0, again_at="/stop")
    return _ask_name(401, "Nobody is signed in here.", "Stopping from here needs an account, or a bookmark with a stop key.")


def _ask_name(status: int, sentence: str, more: str, headers: dict[str, str] | None = None) -> Response:
    return page("Sign in to stop", fill(SIGN_IN, sentence=sentence, more=more, caution=CAUTION), status, headers=headers)


def _refused(status: int, sentence: str, more: str) -> Response:
    return page(sentence, fill('<header><h1>{sentence}</h1><p class="more">{more}</p></header><p class="caution">{caution}</p>',
                               sentence=sentence, more=more, caution=CAUTION), status)


def _person(caller: Caller, service: Parts) -> Person:
    return person_of(caller, role_of(service))


def _said_at(at: str, ref: str, key: str) -> str:
    return f"/stop/said?{urlencode({'at': at, 'ref': ref, **({'key': key} if key else {})})}"


def _name(service: Parts) -> str:
    """The chamber's own name and where it is kept; the latter alone while nobody has heard of it."""
    own = service.hub.now and str(service.hub.now["chamber"]["name"])
    alone = len(service.settings.chambers) == 1
    return own if own and alone else f"{own} ({service.at})" if own else service.at


def _title(service: Parts) -> str:
    return f"{_name(service)}{', SIMULATED' if _simulated(service) else ''}"


def _simulated(service: Parts) -> Html:
    return SIMULATED if service.hub.now and service.hub.now["chamber"]["simulated"] else Html("")


def _chamber(service: Parts, button: Html) -> Html:
    """One chamber with the last that is known of it."""
    hub = service.hub
    if hub.now is None:
        sentence, more = "Its state is not known.", f"{_sentence(hub.away)} A press is sent until the controller answers."
    elif hub.away:
        sentence = "No news from the controller."
        more = f"{age(hub.age_us() or 0)} ago it said: {hub.now['sentence']} A press is sent all the same."
    else:
        sentence = str(hub.now["sentence"])
        more = f"{_sentence(hub.now['sentence_more'])} Heard {age(hub.age_us() or 0)} ago."
    return fill(CHAMBER, name=_name(service), simulated=_simulated(service), sentence=sentence, more=more, button=button,
                steps=_steps([Station("asked"), Station("accepted"), Station("heat seen off")], ""))


def _sentence(words: str) -> str:
    """A few words as a sentence, and nobody called by the record's name."""
    words = called(words).strip().rstrip(".")
    return f"{words[:1].upper()}{words[1:]}." if words else ""


def _outcome(service: Parts, made: Press, steps: list[Station], button: Html) -> Html:
    sentence, more = said(made, steps)
    return fill(CHAMBER, name=_name(service), simulated=_simulated(service), sentence=sentence, more=more, button=button,
                steps=_steps(steps, f"Asked by {called(made.by)}. Times of {_clock_of(service)}, to a tenth of a second."))


def _clock_of(service: Parts) -> str:
    quick = service.hub.now is not None and service.hub.now.get("speed", 1) != 1
    return "the simulation’s quick clock" if quick else "this computer’s clock"


def _button(service: Parts, key: str, proof: str, label: str) -> Html:
    return fill(BUTTON, at=service.at, key=key, proof=proof, icon=ICON, label=label)


def _steps(steps: list[Station], note: str) -> Html:
    rows = joined(_step(one) for one in steps)
    below = fill('<p class="caption">{note}</p>', note=note) if note else Html("")
    return fill('<ol class="stations" aria-label="Steps of stopping">{rows}</ol>{below}', rows=rows, below=below)


def _step(one: Station) -> Html:
    shape = '<path class="m-diamond" d="M9 0.5L17.5 9 9 17.5 0.5 9z"/>' if one.bad else (
        f'<circle class="station{" solid" if one.solid else ""}" cx="9" cy="9" r="6.2"/>')
    return fill('<li class="{bad}"><svg width="18" height="18" viewBox="0 0 18 18" aria-hidden="true">{shape}</svg>'
                '<span>{word} <b>{time}</b></span></li>', bad="bad" if one.bad else "", shape=Html(shape), word=one.word,
                time=one.time)


def _foot(caller: Caller) -> Html:
    who = caller.account.name if caller.account else "nobody signed in, on this computer"
    until = f", good until {day(caller.expires_utc_us)}" if caller.expires_utc_us else ""
    how = f" with the key “{caller.label}”{until}" if caller.via == "token" else ""
    return fill('<p class="foot-note">Here: {who}{how}, {clock}. <a href="/">The whole page</a></p>', who=who, how=how,
                clock=clock(utc_us(), tenths=False))
