"""Diagnoses, procedures, orders, worn collars and the encounter in FHIRPath, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from cds.fhir.canonical_urls import code as published
from cds.fhir.publishing.cql.diagnoses_procedures_orders import codes_of
from cds.fhir.publishing.fhirpath.condition import text
from cds.fhir.publishing.fhirpath.date_arithmetic import (
    NO_TIME,
    age,
    goes_on,
    is_day,
    not_reversed,
    padded,
    padded_number,
    period_age,
    period_is_day,
    unpadded,
)
from cds.fhir.publishing.fhirpath.record_lines import (
    ABOVE,
    BELOW,
    CODE,
    NOW,
    SUSPECTED,
    UNCHANGED,
    USUAL,
    coded,
    codes,
    either,
    greatest,
    held,
    marked,
    names,
    not_older,
    referred,
)
from cds.fhir.publishing.fhirpath.statements import means
from cds.fhir.reading.code_map import ANY_CODE, CodeMap, OfOld
from cds.fhir.reading.coded_records import DAYS_OF
from cds.fhir.reading.device_use import HOURS, IN_PLACE, KIND
from cds.fhir.reading.encounter import SETTING
from rules.model.facts import FactDefinition

_TO_COME = "+"
_BEGAN, _HAPPENED, _LISTED, _VISIT = f"{CODE}b", f"{CODE}!", f"{CODE}l{CODE}", f"{CODE}v{CODE}"
"""In a line, before the codes: since when a diagnosis is, before it was recorded; the same with a time of day; on a problem list
without a time; of a visit."""
_STANDS = f"startsWith('{BELOW}').not()"
_SUSPECTED = ("provisional", "unconfirmed", "differential")
_STANDING = ("confirmed", *_SUSPECTED)
_INTENDED = ("order", "original-order", "reflex-order", "filler-order", "instance-order", "plan", "directive")


def _resources(kind: str) -> str:
    return f"Bundle.entry.resource.ofType({kind}).where({UNCHANGED})"


def _not_from_the_future(moment: str, tolerance: int) -> str:
    return f"(({moment}) < -{tolerance}).not().allTrue()"


def coded_records(code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """``coded``: lines that begin with a standing, of records whose code alone says something.

    ``code_map`` has how far ahead of the clock a record may be.
    """
    tolerance = round(code_map.future_tolerance_minutes * 60)
    verified = "iif(verificationStatus.empty(), 'confirmed', verificationStatus.coding.code.where($this != '').first().toString())"
    clinical = (
        "iif(clinicalStatus.empty(), abatement.empty(), "
        "clinicalStatus.coding.code.where($this != '').first() in ('active' | 'recurrence' | 'relapse'))"
    )
    onset = (
        f"iif(recordedDate.exists(), {age('recordedDate')}, "
        f"{age('onset.ofType(dateTime)')} | {period_age('onset.ofType(Period)')})"
    )
    no_moment = f"(recordedDate.exists() or onset.ofType(Period).empty() or ({onset}).exists())"
    began = f"{is_day('onset.ofType(dateTime)')} or {period_is_day('onset.ofType(Period)')}"
    day = f"iif(recordedDate.exists(), {is_day('recordedDate')}, {began})"
    active = "clinicalStatus.coding.code.where($this != '').first() in ('active' | 'recurrence' | 'relapse')"
    now = f"(({onset}).empty() and {active})"
    condition = (
        f"{_resources('Condition')}.where(({verified}) = 'refuted' or (({verified}) in {either(_STANDING)} and {clinical}))"
        f".where({no_moment}).where({_not_from_the_future(onset, tolerance)})"
        f".select(iif(({verified}) = 'refuted', '{BELOW}', '{USUAL}') & ({padded(onset)}) & 'Condition/' & id "
        f"& '{CODE}' & {marked(now, day)} "
        f"& iif(({verified}) in {either(_SUSPECTED)}, '{SUSPECTED[1:]}', '') & {_of_old(onset)} "
        f"& {codes('code.coding')} & '{CODE}')"
    )
    done = f"{age('performed.ofType(dateTime)')} | {period_age('performed.ofType(Period)')}"
    day = f"{is_day('performed.ofType(dateTime)')} or {period_is_day('performed.ofType(Period)')}"
    now = f"(status = 'in-progress' and {goes_on('performed.ofType(Period)')})"
    procedure = (
        f"{_resources('Procedure')}.where(status in ('completed' | 'in-progress'))"
        f".where(performed.ofType(Period).empty() or ({done}).exists()).where({_not_from_the_future(done, tolerance)})"
        f".select('{USUAL}' & ({padded(done)}) & 'Procedure/' & id "
        f"& '{CODE}' & {marked(now, day)} & {codes('code.coding')} & '{CODE}')"
    )
    due = "(occurrence.ofType(Period).end | occurrence.ofType(dateTime))"
    authored = age("authoredOn")
    overdue = f"(({age(due)}) > iif({due}.toString().length() <= 10, 86400, 0))"
    order = (
        f"{_resources('ServiceRequest')}.where(status = 'active' and intent in {either(_INTENDED)})"
        f".where((doNotPerform = true).not().allTrue()).where({overdue}.not().allTrue())"
        f".where({not_reversed('occurrence')})"
        f".where({_not_from_the_future(authored, tolerance)})"
        f".select('{USUAL}' & ({padded(authored)}) & 'ServiceRequest/' & id & '{CODE}' & {marked('false', is_day('authoredOn'))} "
        f"& {codes('(code.coding | category.coding)')} "
        f"& iif({due}.exists(), '{CODE}{_TO_COME}', '{CODE}'))"
    )
    # Apart, because an engine loses sight of the Bundle in what stands in brackets behind a function.
    yield "diagnoses", condition
    yield "procedures", procedure
    yield "orders", order
    yield "coded", "%diagnoses.combine(%procedures).combine(%orders).combine(%findings)"


def implied(fact: FactDefinition, code_map: CodeMap, limit: float | None) -> Iterator[str]:
    """The records that are statements by being there, for ``fact``, by the codes of ``code_map``.

    ``limit`` is how many hours old they may be; None: no limit.
    """
    for kind in ("Condition", "Procedure", "ServiceRequest", "Observation"):
        for value, said in codes_of(fact, code_map, kind).items():
            if value is None and fact.type != "boolean":
                continue
            meant = True if value is None else value
            fresh = ""
            rule = code_map.of_old.get(fact.name) if meant in code_map.dangers(fact) else None
            if rule is not None:
                fresh = _not_of_old(rule, limit)
            if limit is not None and rule is None:
                danger = f"startsWith('{BELOW}').not()" if meant in code_map.dangers(fact) else "false"
                fresh = f" and (endsWith('{_TO_COME}') or {not_older('substring(1, 10)', limit, danger)})"
            if meant != code_map.safer.get(fact.name):
                fresh += f" and contains('{SUSPECTED}').not()"
            if meant is True:
                stated = f"iif(startsWith('{BELOW}'), 'N', 'Y')"
            else:
                fresh += f" and startsWith('{BELOW}').not()"
                stated = "'N'" if meant is False else text(f"{published(str(meant))};")
            line = f"substring(0, indexOf('{CODE}')) & '=' & {stated}"
            yield f"%coded.where(substring(11).startsWith('{kind}/') and {means(said, '$this')}{fresh}).select({line})"


def injured(fact: FactDefinition, vocabulary: Mapping[str, FactDefinition], code_map: CodeMap) -> Iterator[str]:
    """How long ago an injury was, for the ``fact`` that counts its hours: by the onset of diagnoses that say that there was one.

    Injuries are facts of ``vocabulary``, and their codes those of ``code_map``.
    """
    if fact.name != code_map.episode.hours:
        return
    moment = f"substring(indexOf('{_HAPPENED}') + {len(_HAPPENED)}, 10)"
    hours = f"({unpadded(moment)} / 3600.0).round(9).toString()"
    head = f"substring(0, indexOf('{CODE}'))"
    for injury in code_map.episode.injuries:
        for value, said in codes_of(vocabulary[injury], code_map, "Condition").items():
            if value is False or (value is None and vocabulary[injury].type != "boolean"):
                continue
            meant = True if value is None else value
            kept = f"contains('{_HAPPENED}') and {_STANDS}"
            if meant != code_map.safer.get(injury):
                kept += f" and contains('{SUSPECTED}').not()"
            rule = code_map.of_old.get(injury) if meant in code_map.dangers(vocabulary[injury]) else None
            kept += "" if rule is None else _not_of_old(rule, None)
            yield f"%diagnoses.where({means(said, '$this')} and {kept}).select({head} & '=' & {hours})"


def _of_old(moment: str) -> str:
    """The marks of a Condition that tell how old it is, where its age by what was recorded is ``moment``."""
    began, coarse = "onset.ofType(dateTime)", "onset.ofType(dateTime).toString().length()"
    whole = "0"
    for length, number in DAYS_OF.items():
        whole = f"iif({coarse} = {length}, {number * 86400}, {whole})"
    since = f"(({age(began)}) - {whole})"
    before = f"(recordedDate.empty() or {since} > ({age('recordedDate')}))"
    clamped = f"{since}.select(iif($this < 0, 0, $this))"
    problem = "category.coding.where(code = 'problem-list-item').exists()"
    visit = f"category.coding.where(code = 'encounter-diagnosis').exists() and ({problem}).not()"
    return (
        f"iif({began}.exists(), iif({before}, '{_BEGAN[1:]}' & {padded(clamped)} & '{CODE}' "
        f"& iif({coarse} > 10, '{_HAPPENED[1:]}' & {padded(clamped)} & '{CODE}', ''), ''), '') "
        f"& iif(({moment}).empty() and {problem}, '{_LISTED[1:]}', '') & iif({visit}, '{_VISIT[1:]}', '')"
    )


def _not_of_old(rule: OfOld, limit: float | None) -> str:
    """That a line of a fact with ``rule`` is of now; a diagnosis by when it began."""
    usual = "true"
    if limit is not None:
        usual = f"(endsWith('{_TO_COME}') or {not_older('substring(1, 10)', limit, _STANDS)})"
    began = f"substring(indexOf('{_BEGAN}') + {len(_BEGAN)}, 10)"
    within = "true" if limit is None else f"{began} <= '{padded_number(limit * 3600)}'"
    listed = usual if rule.visits or limit is None else f"iif(contains('{_LISTED}'), false, {usual})"
    said = f" and iif(contains('{_BEGAN}') and {_STANDS}, {within}, {listed})"
    if rule.hours is None:
        return said
    most = padded_number(rule.hours * 3600)
    young = not_older("substring(1, 10)", rule.hours, "true")
    if rule.visits:
        young = f"({young} or (contains('{NOW}').not() and substring(1, 10) = '{NO_TIME}'))"
        asked = f"contains('{_VISIT}')"
    else:
        young = f"iif(contains('{_LISTED}'), false, {young})"
        asked = "substring(11).startsWith('Condition/')"
    aged = f"iif(contains('{_BEGAN}'), {began} <= '{most}', {young})"
    return f"{said} and iif({asked} and {_STANDS}, {aged}, true)"


def _kinds(code_map: CodeMap) -> list[str]:
    return sorted({collar.kind for collar in code_map.collars.values() if collar.kind})


def device_uses(code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """``devices_KIND`` are names of Devices by the kind of collar that their codes say; ``uses`` the statements about them.

    The codes are those of ``code_map``.
    """
    own = f"('{CODE}' & {codes('type.coding')})"
    for kind in (None, *_kinds(code_map)):
        tests = []
        for key, collar in code_map.collars.items():
            if collar.kind == kind:
                tests.append(
                    f"{own}.contains({text(f'{CODE}{key.system}|')})" if key.code == ANY_CODE else held(own, key)
                )
        of_kind = " or ".join(tests) or "false"
        yield (
            f"devices_{kind or 'open'}",
            f"Bundle.entry.resource.ofType(Device).where({of_kind}).select({names('Device')})",
        )
        contained = f"contained.ofType(Device).where({of_kind}).select('#' & id)"
        yield (
            f"uses_{kind or 'open'}",
            f"{_resources('DeviceUseStatement')}.where("
            f"({referred('device.reference', 'Device')} in %devices_{kind or 'open'}) or (device.reference in ({contained}))).id",
        )
    every = "%uses_open" + "".join(f" | %uses_{kind}" for kind in _kinds(code_map))
    begun = "(timing.ofType(Period).start | timing.ofType(dateTime))"
    since = f"iif({begun}.exists(), {age(begun)}, {age('recordedOn')})"
    until = f"iif(timing.ofType(Period).end.exists(), {age('timing.ofType(Period).end')}, {age('recordedOn')})"
    end = "timing.ofType(Period).end"
    ended = f"(({age(end)}) >= iif({is_day(end)}, 86400, 0))"
    tolerance = round(code_map.future_tolerance_minutes * 60)
    statements = f"{_resources('DeviceUseStatement')}.where(id in ({every}))"
    yield (
        "worn",
        f"{statements}.where(status = 'active').where({_not_from_the_future(since, tolerance)}).where({ended}.not().allTrue())"
        f".select(({padded(since)}) & 'DeviceUseStatement/' & id & '{CODE}' & iif({begun}.exists(), 'timed', ''))",
    )
    least = "aggregate(iif($total.empty() or $this < $total, $this, $total))"
    yield "worn_last", f"%worn.where(substring(0, 10) = %worn.select(substring(0, 10)).{least})"
    yield (
        "taken_off",
        f"{statements}.where(%worn.empty() and status in ('completed' | 'stopped') and {not_reversed('timing')})"
        f".where({until} >= 0)"
        f".select(({padded(until)}) & 'DeviceUseStatement/' & id & '{CODE}')",
    )


def worn(fact: FactDefinition, code_map: CodeMap, limit: float | None) -> Iterator[str]:
    """What the use of collars, of the kinds in ``code_map``, says of ``fact``, if anything.

    ``limit`` is how many hours ago one may have been taken off; None: at any time.
    """
    head = f"'{USUAL}' & substring(0, indexOf('{CODE}'))"
    if fact.name == IN_PLACE:
        yield f"%worn.select({head} & '=Y')"
        fresh = "" if limit is None else f".where(substring(0, 10) <= '{padded_number(limit * 3600)}')"
        yield f"%taken_off{fresh}.select({head} & '=N')"
    elif fact.name == KIND:
        for kind in _kinds(code_map):
            own = f"substring(10 + 'DeviceUseStatement/'.length(), indexOf('{CODE}') - 10 - 'DeviceUseStatement/'.length())"
            yield f"%worn_last.where({own} in %uses_{kind}).select({head} & '={published(kind)};')"
    elif fact.name == HOURS:
        seconds = f"{unpadded('substring(0, 10)')}.select(iif($this < 0, 0, $this))"
        hours = f"({seconds} / 3600.0).round(9).toString()"
        yield f"%worn_last.where(endsWith('timed')).select({head} & '=' & {hours})"


def encounters() -> Iterator[tuple[str, str]]:
    """``encounter`` is the id of the one that counts, ``settings`` what it and its locations say."""
    start = age("period.start")
    newest = f"('0000000000' & iif(({start}).exists(), (2000000000 - ({start})).toString(), '')).select(substring(length() - 10))"
    running = (
        "Bundle.entry.resource.ofType(Encounter).where(status in ('arrived' | 'triaged' | 'in-progress' | 'onleave'))"
    )
    yield "encounter", f"{greatest(f'{running}.select(({newest}) & id)')}.substring(10)"
    current = f"{_resources('Encounter')}.where(id = %encounter).where((({start}) < 0).not().allTrue())"
    ended = age("period.end")
    stays = (
        f"location.where((status in ('planned' | 'reserved' | 'completed')).not().allTrue()"
        f" and (({ended}) >= 0).not().allTrue())"
    )
    yield "stays", referred(f"{current}.{stays}.location.reference", "Location")
    yield (
        "location_codes",
        coded(
            f"Bundle.entry.resource.ofType(Location).where({names('Location')}.where($this in %stays).exists()).type.coding"
        ),
    )
    yield "class_codes", coded(f"{current}.class")
    yield "encounter_age", f"{current}.select({padded(start)})"


def stayed(fact: FactDefinition, code_map: CodeMap) -> Iterator[str]:
    """What the encounter says of ``fact`` by the settings of ``code_map``, if anything."""
    if fact.name != SETTING:
        return
    for standing, lines in ((ABOVE, "%location_codes"), (USUAL, "%class_codes")):
        for setting in sorted(set(code_map.settings.values())):
            keys = [key for key, value in code_map.settings.items() if value == setting]
            test = " or ".join(held("$this", key) for key in keys)
            label = f"'{standing}' & %encounter_age & 'Encounter/' & %encounter & '={published(setting)};'"
            yield f"{lines}.where({test}).select({label})"
