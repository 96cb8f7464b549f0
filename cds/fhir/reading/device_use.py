"""Whether a collar is on, which kind it is, and for how long it has been worn: DeviceUseStatement, and what else tells of it.

An EHR may know a collar by the procedure that put it on, or by an order that stands, and by nothing that says whether it is on
now. Such a record gives no fact; it is to be looked up until a newer one says that the collar came off.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import islice
from typing import Any, NamedTuple

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.reading.bundle_index import Record, ReferenceIndex
from cds.fhir.reading.code_map import CodeMap, Collar, codings_of, device_names, is_cut, ordered_concepts, texts_of
from cds.fhir.reading.dates import DateError, ends_before_it_starts, is_day, moment
from cds.fhir.reading.neck_concepts import TOO_LONG, is_about_the_neck
from cds.fhir.reading.reconciliation import Accepted, Rejected, all_refused, may_still_hold, unmodified
from cds.fhir.reading.rejection import RejectionReason, several_of_a_choice
from rules.model.durations import duration_words

IN_PLACE, KIND, HOURS, HALO = "collar_in_place", "collar_kind", "collar_hours", "halo_in_place"
WORN = (IN_PLACE, HALO)
"""What holds the neck, and is on by a use that goes on."""
_WORDS = {IN_PLACE: "collar", HALO: "halo"}
_ENDED = ("completed", "stopped")
_NOT_ON = ("entered-in-error", "intended", "not-taken")
_NO_LONGER = ("inactive", "entered-in-error")
_MOST_NAMES = 20
"""Of one device. Where there are more it is listed: what stands under one id a thousand times must not be read for each use."""
MAY_BE_FORBIDDEN = RejectionReason(
    "malformed", "malformed: doNotPerform is neither true nor false, so nobody can say whether it is to be done"
)
_LATIN = re.compile("[A-Za-z]")
_COLLARS = ("order", "look_alike")
_LIKE_A_COLLAR = RejectionReason(
    "code", "may be a neck collar, but is not read as a rigid one: look whether one is on", look_up=True
)
_NOT_NAMED = RejectionReason(
    "incomplete", "a device is in use and what it is was not sent: look whether it is a neck collar", look_up=True
)
_NOT_UNDERSTOOD = RejectionReason(
    "code",
    "a device in use by a code or in a script that is not read here: look whether it is a neck collar",
    look_up=True,
)
_NOT_SAID_TO_BE_WORN = RejectionReason(
    "incomplete",
    "a neck collar, or the like, that is the patient's, and nothing says whether it is worn: look whether it is on",
    look_up=True,
)
_DENIED = ("false", "no", '"false"', '"no"')
"""How the answer that no collar is on is written."""
_PUT_ON = RejectionReason(
    "incomplete", "a neck collar, or the like, was put on, and nothing says whether it still is: look", look_up=True
)
_STANDS = RejectionReason(
    "incomplete", "a neck collar is ordered for longer than that, and nothing says whether it is on: look", look_up=True
)
_HALO_PUT_ON = RejectionReason(
    "incomplete", "a halo is named by what was done, and nothing says whether it is on: look", look_up=True
)
_HALO_STILL_ON = timedelta(weeks=13)
"""For so long a halo that was put on is on, where nothing says more: it is worn for three months as a rule."""
_STILL_ON = timedelta(weeks=6)
"""For so long a collar that was put on or ordered may be on, where nothing says more: for as long one is ordered as a rule."""
_BELOW_A_USE = -1
"""Marks, until all is weighed, a collar that was taken off: it may be another than the one in use."""
_TAKEN_OFF_IN_USE = RejectionReason(
    "contradiction", "it was taken off, and by another record it is in use: look whether it is on", look_up=True
)
_ANOTHER_ON = RejectionReason(
    "contradiction", "another collar is in use by a newer record, which counts: look which one is on, and end the other"
)
_OF_THE_NECK = RejectionReason(
    "unread", "a device in use about neck, spine or airway, but mapped to no fact: read it yourself"
)


def read_device_uses(
    records: Sequence[Record], devices: ReferenceIndex, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    """What DeviceUseStatement ``records`` say of collars and halos at the moment ``at``; those about other devices say nothing.

    ``devices`` finds what they refer to, ``code_map`` tells what is a collar. That one collar came off says nothing
    against another that is on, so ends are left out where a collar is in use. Of several in use the newest says which
    kind is on, and since when.
    """
    collars = _Collars(devices, code_map)
    findings = [
        finding for record in records for finding in _unless_modified(record, _read(record, collars, code_map, at))
    ]
    said = [finding for finding in findings if isinstance(finding, Accepted)]
    in_use = {fact: [one for one in said if one.fact == fact and one.value is True] for fact in WORN}
    on = in_use[IN_PLACE]
    newest = max((use.recorded for use in on if use.recorded is not None), default=None)
    for finding in findings:
        accepted = isinstance(finding, Accepted)
        ended = accepted and finding.value is False and in_use.get(finding.fact)
        of_an_older = accepted and finding.fact in (KIND, HOURS) and newest not in (None, finding.recorded)
        if not (ended or of_an_older):
            yield finding
    for use in on if len(on) > 1 else ():
        if use.recorded is None or use.recorded != newest:
            yield Rejected(IN_PLACE, use.written, _ANOTHER_ON, use.label, use.recorded)


def read_uses_of_nobody(
    records: Iterable[tuple[Record, RejectionReason]], devices: ReferenceIndex, code_map: CodeMap, at: datetime
) -> Iterator[Rejected]:
    """What DeviceUseStatement ``records`` say of which nobody can say whose they are, each refused for the reason beside it.

    That a collar or a halo is on is to be looked up. ``devices``, ``code_map`` and the moment ``at`` are those of
    ``read_device_uses``.
    """
    for record, why in records:
        said = list(read_device_uses([record], devices, code_map, at))
        for finding in said:
            if isinstance(finding, Rejected):
                yield finding._replace(why=finding.why._replace(text=f"{why.text}; {finding.why.text}"))
            else:
                on = finding.fact in WORN and finding.value is True
                yield from all_refused(why._replace(look_up=on), [finding])
        if not said:
            yield Rejected(None, record.type, why, record.label)


def _unless_modified(record: Record, findings: Iterable[Accepted | Rejected]) -> Iterator[Accepted | Rejected]:
    """``findings`` of ``record``, all refused where it is modified; that a collar is on is to be looked up then."""
    read = list(findings)
    for finding, kept in zip(read, unmodified(record, read), strict=True):
        on = isinstance(finding, Accepted) and finding.value is True and isinstance(kept, Rejected)
        yield kept._replace(why=kept.why._replace(look_up=True)) if on and isinstance(kept, Rejected) else kept


def read_procedure_on_the_neck(
    record: Record, done: datetime | None, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    """What the Procedure ``record`` says of a collar or a halo at the moment ``at``.

    It was ``done`` at that moment (None: it is not known when). ``code_map`` tells what is a collar or a halo. That one
    came off counts below a use. That a collar was put on says that it may be on, for some weeks; that a halo was says
    that it is, for some months: it is screwed to the skull.
    """
    concept = record.resource.get("code")
    halo = _halo_named([concept], code_map)
    if halo is not None:
        yield from _halo_procedure(record, halo, done, code_map, at)
        return
    removed = code_map.collar_removed(concept)
    if removed is not None:
        if done is not None:
            yield _came_off(IN_PLACE, removed, record, done)
        return
    named = _collar_named(concept, code_map)
    if named is not None and (done is None or at - done <= _STILL_ON):
        yield Rejected(IN_PLACE, _with_time(named, done), _PUT_ON, record.label, done)


def _halo_procedure(
    record: Record, named: str, done: datetime | None, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    went_on = code_map.collar_words.went_on(named)
    if done is not None and at - done > _HALO_STILL_ON:
        return
    if went_on is False and done is not None:
        yield _came_off(HALO, named, record, done)
    elif went_on and done is not None and done <= at and record.resource.get("status") in ("completed", "in-progress"):
        yield Accepted(HALO, True, shown(named), record.label, record.reference, done)
    elif went_on is not False:
        yield Rejected(HALO, _with_time(named, done), _HALO_PUT_ON, record.label, done)


def _came_off(fact: str, named: str, record: Record, done: datetime) -> Accepted:
    return Accepted(fact, False, shown(named), record.label, record.reference, done, standing=_BELOW_A_USE)


def read_standing_order(record: Record, code_map: CodeMap, at: datetime, believed: timedelta) -> Iterator[Rejected]:
    """That the collar which the order ``record`` is for may be on at the moment ``at``.

    It stands for longer than a word on it is ``believed``. ``code_map`` tells what is an order of a collar.
    """
    order = record.resource
    if order.get("status") != "active" or order.get("intent") == "proposal" or not code_map.is_collar_order(order):
        return
    try:
        authored = moment(order.get("authoredOn"), at.tzinfo)
    except DateError:
        return
    if believed < at - authored <= _STILL_ON:
        named = next(filter(None, map(_words, ordered_concepts(order))), "a collar")
        yield Rejected(IN_PLACE, f"{shown(named)}, ordered {authored:%Y-%m-%d}", _STANDS, record.label, authored)


def observed_on(findings: Iterable[Accepted | Rejected]) -> Iterator[Accepted | Rejected]:
    """``findings`` of an observation or a form: that a collar is on is to be looked up where it is refused and may hold."""
    for finding in findings:
        if isinstance(finding, Rejected) and finding.fact == IN_PLACE and may_still_hold(finding.why):
            finding = finding._replace(why=finding.why._replace(look_up=finding.value.lower() not in _DENIED))
        yield finding


def weighed(findings: Sequence[Accepted | Rejected], at: datetime) -> Iterator[Accepted | Rejected]:
    """All ``findings`` at the moment ``at``, where what says that a collar or a halo may be on is weighed against the rest.

    It is looked up only where no newer record says that it came off; of several procedures and orders the newest is.
    """
    accepted = [finding for finding in findings if isinstance(finding, Accepted)]
    told = {fact: _Told.of([finding for finding in accepted if finding.fact == fact]) for fact in WORN}
    supposed = [f for f in findings if isinstance(f, Rejected) and f.why in (_PUT_ON, _STANDS)]
    newest = max(supposed, key=lambda finding: finding.recorded or at, default=None)
    for finding in findings:
        if finding.fact not in WORN:
            yield finding
        elif isinstance(finding, Accepted):
            yield _weighed(finding, told[finding.fact], at)
        elif finding.why.look_up:
            denied = finding.recorded is not None and _is_before(finding.recorded, told[finding.fact].off)
            older = finding.why in (_PUT_ON, _STANDS) and finding is not newest
            yield finding._replace(why=finding.why._replace(look_up=not (denied or older)))
        else:
            yield finding


class _Told(NamedTuple):
    """What is said of a collar, or of a halo: when it was last ``on`` and last ``off``, and when the first use began.

    Of a use without a start (``undated``) nobody can say that it began later than something else.
    """

    on: datetime | None
    off: datetime | None
    undated: bool
    began: datetime | None

    @classmethod
    def of(cls, said: Sequence[Accepted]) -> _Told:
        """Of all that is ``said`` of it."""
        uses = [one.recorded for one in said if one.value is True and not one.ages]
        began = min((since for since in uses if since is not None), default=None)
        return cls(_last(said, value=True), _last(said, value=False), None in uses, began)


def _weighed(finding: Accepted, told: _Told, at: datetime) -> Accepted | Rejected:
    """``finding`` beside all that is ``told`` of its fact."""
    if finding.standing == _BELOW_A_USE:
        if told.undated or (told.began is not None and _is_before(told.began, finding.recorded)):
            return Rejected(None, finding.written, _TAKEN_OFF_IN_USE, finding.label, finding.recorded)
        return finding._replace(standing=0)
    if finding.fact != IN_PLACE or finding.value is not True or finding.recorded != told.on:
        return finding
    late = finding.recorded is None or at - finding.recorded <= _STILL_ON
    return finding._replace(may_hold_on=late and (told.off is None or _is_before(told.off, finding.recorded)))


def _last(said: Iterable[Accepted], *, value: bool) -> datetime | None:
    return max((one.recorded for one in said if one.value is value and one.recorded is not None), default=None)


def _is_before(one: datetime, other: datetime | None) -> bool:
    return other is not None and one < other


def _halo_named(names: Iterable[object], code_map: CodeMap) -> str | None:
    """The first words of ``names`` that name a halo; else None."""
    said = (words for named in names for words in texts_of(named))
    return next((words for words in said if code_map.device_named(words) == HALO), None)


def _collar_named(concept: object, code_map: CodeMap) -> str | None:
    """The words, or the code, of ``concept`` where it is for a neck collar or may be; a brace only where it is of the neck."""
    if code_map.collar(concept) is not None:
        return _words(concept)
    like = code_map.collar_look_alike(concept)
    if like is None or code_map.collar_words.names_a_collar(like) or is_about_the_neck(concept, code_map):
        return like
    return None


def _with_time(named: str, done: datetime | None) -> str:
    return shown(named) if done is None else f"{shown(named)}, {done:%Y-%m-%d %H:%M}"


def read_devices(
    records: Iterable[Record], uses: Sequence[Record], devices: ReferenceIndex, code_map: CodeMap
) -> Iterator[Rejected]:
    """The collars among the patient's own Device ``records`` that no statement in ``uses`` is about: they may be on.

    ``devices`` finds what the statements refer to, ``code_map`` tells what is a collar.
    """
    references = {text(mapping(use.resource, "device"), "reference") or "" for use in uses}
    keys = {key for reference in references for key in devices.keys(reference)}
    spoken_of = {id(device.resource) for key in keys for device in devices.under(key)}
    for record in records:
        if id(record.resource) in spoken_of or record.resource.get("status") in _NO_LONGER:
            continue
        for named in device_names(record.resource):
            if code_map.collar(named) is not None or code_map.collar_look_alike(named) is not None:
                yield Rejected(IN_PLACE, shown(_words(named)), _NOT_SAID_TO_BE_WORN, record.label)
                break


def _read(record: Record, collars: _Collars, code_map: CodeMap, at: datetime) -> Iterator[Accepted | Rejected]:
    collar, status = collars.of(record.resource), record.resource.get("status")
    names = [] if collar is not None else collars.names(record.resource)
    if collar is None and _halo_named(names, code_map) is None:
        if status == "active":
            yield from _unread(record, names, code_map)
        elif names and status not in (*_ENDED, *_NOT_ON):
            more = "no status says that it is" if status is None else f"its status is {shown(status)}"
            for found in _unread(record, names, code_map):
                yield found._replace(why=found.why._replace(text=f"{found.why.text} ({more})"))
        return
    fact = HALO if collar is None else IN_PLACE
    if status == "active":
        yield from _worn(record, fact, collar, code_map, at)
    elif status in _ENDED:
        yield _taken_off(record, fact, at)
    else:
        device = "halo" if collar is None else "neck collar"
        written = f"{device} with {'no status' if status is None else f'the status {shown(status)}'}"
        text_of_it = f"does not say that the {_WORDS[fact]} is on, nor that it is off"
        why = RejectionReason("status", text_of_it, look_up=status not in _NOT_ON)
        yield Rejected(fact, written, why, record.label)


def _unread(record: Record, names: Sequence[Mapping[str, Any]], code_map: CodeMap) -> Iterator[Rejected]:
    """Why the device in use under ``names`` may be a neck collar all the same, or is of the neck: nobody mapped it."""
    if not names:
        yield Rejected(IN_PLACE, "a device without a name", _NOT_NAMED, record.label)
        return
    like = next(filter(None, (code_map.collar_look_alike(named) for named in names)), None)
    if like is None and len(names) > _MOST_NAMES:
        like = _words(names[0])
    if like is None:
        # A brace is told by where it is worn and why.
        statement = record.resource
        places = [mapping(statement, "bodySite"), *items(statement, "reasonCode")]
        about = " ".join(said for place in places for said in texts_of(place))
        several = (f"{_words(named)} {about}" for named in names)
        like = next((said for said in several if about and code_map.collar_words.verdict(said) in _COLLARS), None)
    if like is not None:
        yield Rejected(IN_PLACE, shown(like), _LIKE_A_COLLAR, record.label)
        return
    near = next((named for named in names if is_cut(named) or is_about_the_neck(named, code_map)), None)
    if near is not None:
        why = RejectionReason("unread", TOO_LONG) if is_cut(near) else _OF_THE_NECK
        yield Rejected(None, shown(_words(near)), why, record.label)
    elif not any(_LATIN.search(said) for named in names for said in texts_of(named)):
        unknown = (named for named in names if code_map.ignored.isdisjoint(codings_of(named)))
        for named in unknown:
            yield Rejected(IN_PLACE, shown(_words(named)), _NOT_UNDERSTOOD, record.label)


def _words(named: object) -> str:
    return next(iter(texts_of(named)), None) or " ".join(coding.code for coding in codings_of(named))


def _worn(
    record: Record, fact: str, collar: Collar | None, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    """What a use that goes on says of ``fact``, and of the ``collar`` that is used."""
    statement, device = record.resource, f"a {_WORDS[fact]}"
    written = mapping(statement, "timingPeriod").get("start", statement.get("timingDateTime"))
    noted = statement.get("recordedOn") if written is None else written
    since, unread = None, several_of_a_choice(statement, "timing")
    try:
        since = None if noted is None or unread is not None else moment(noted, at.tzinfo)
    except DateError as error:
        unread = RejectionReason("malformed", f"malformed time: {error}")
    if since is not None and since > at + timedelta(minutes=code_map.future_tolerance_minutes):
        why = RejectionReason("future", "in use by its status, from a moment in the future: look", look_up=True)
        yield Rejected(fact, f"{device} in use from {shown(noted)} on", why, record.label, since)
        return
    end = mapping(statement, "timingPeriod").get("end")
    if end is not None and _is_over(end, at):
        text_of_it = f"in use by its status, and ended {shown(end)}: look whether it is on"
        why = RejectionReason("contradiction", text_of_it, look_up=True)
        yield Rejected(fact, f"{device} in use that ended {shown(end)}", why, record.label, since)
        return
    words = "in use" if since is None else f"in use since {shown(noted)}"
    yield Accepted(fact, True, words, record.label, record.reference, since, ages=False)
    if collar is None:
        return
    if collar.kind is not None:
        yield Accepted(
            KIND, collar.kind, collar.display or collar.kind, record.label, record.reference, since, ages=False
        )
    if unread is not None:
        # That it is in use says the status; only since when is not known.
        yield Rejected(HOURS, f"since {shown(noted)}", unread, record.label)
    if written is None or since is None:
        return
    hours = max(0.0, (at - since).total_seconds() / 3600)
    problem = code_map.vocabulary[HOURS].problem(hours)
    if problem is not None:
        text_of_it = f"{problem}: {duration_words(hours)}; look whether it is on"
        why = RejectionReason("implausible", text_of_it, look_up=True)
        yield Rejected(HOURS, f"since {shown(written)}", why, record.label)
    else:
        yield Accepted(HOURS, hours, f"since {shown(written)}", record.label, record.reference, since, ages=False)


def _is_over(end: object, at: datetime) -> bool:
    """Whether a use has ended; a day without a time is over when the next begins. An end that cannot be read is none."""
    try:
        ended = moment(end, at.tzinfo)
    except DateError:
        return False
    return ended + timedelta(days=1 if is_day(end) else 0) <= at


def _taken_off(record: Record, fact: str, at: datetime) -> Accepted | Rejected:
    statement = record.resource
    end = mapping(statement, "timingPeriod").get("end", statement.get("recordedOn"))
    wrong = several_of_a_choice(statement, "timing")
    if wrong is None and ends_before_it_starts(statement.get("timingPeriod"), at.tzinfo):
        wrong = RejectionReason("malformed", "malformed timingPeriod: it ends before it starts")
    if wrong is not None:
        return Rejected(fact, f"use ended {shown(end)}", wrong._replace(look_up=True), record.label)
    try:
        ended = moment(end, at.tzinfo)
    except DateError as error:
        why = RejectionReason("no time", f"it is not recorded when the use ended: {error}")
        return Rejected(fact, shown(end), why, record.label)
    if ended > at:
        return Rejected(fact, shown(end), RejectionReason("future", "the use ends in the future"), record.label, ended)
    return Accepted(fact, False, f"use ended {shown(end)}", record.label, record.reference, ended)


class _Collars:
    """Which collar a statement's device is, by the Device resource (contained or sent along), or by its words."""

    def __init__(self, devices: ReferenceIndex, code_map: CodeMap) -> None:
        self._devices, self._code_map = devices, code_map
        self._sent: dict[str, Collar | None] = {}

    def of(self, statement: dict[str, Any]) -> Collar | None:
        device = mapping(statement, "device")
        reference = text(device, "reference")
        found = [self._code_map.collar({"text": device.get("display")})]
        if reference is not None and reference.startswith("#"):
            found.extend(
                self._code_map.collar(named) for item in _held(statement, reference) for named in device_names(item)
            )
        elif reference is not None:
            found.extend(self._under(key) for key in self._devices.keys(reference))
        return _plainest(found)

    def names(self, statement: dict[str, Any]) -> list[Mapping[str, Any]]:
        """What the device of ``statement`` is called, wherever that is said; no more names than one more than are read."""
        device = mapping(statement, "device")
        reference, display = text(device, "reference") or "", text(device, "display")
        sent = _held(statement, reference) if reference.startswith("#") else self._sent_along(reference)
        named = (name for one in islice(sent, _MOST_NAMES + 1) for name in device_names(one))
        return [*([{"text": display}] if display else []), *islice(named, _MOST_NAMES + 1)]

    def _sent_along(self, reference: str) -> Iterator[object]:
        for key in self._devices.keys(reference):
            yield from (record.resource for record in self._devices.under(key))

    def _under(self, key: str) -> Collar | None:
        """The collar among the devices under ``key``, looked up once for all statements."""
        if key not in self._sent:
            named = (name for record in self._devices.under(key) for name in device_names(record.resource))
            self._sent[key] = _plainest(map(self._code_map.collar, named))
        return self._sent[key]


def _held(statement: dict[str, Any], reference: str) -> list[object]:
    return [item for item in items(statement, "contained") if text(item, "id") == reference[1:]]


def _plainest(found: Iterable[Collar | None]) -> Collar | None:
    """The first whose kind is known, else the first."""
    return max((one for one in found if one is not None), key=lambda collar: collar.kind is not None, default=None)
