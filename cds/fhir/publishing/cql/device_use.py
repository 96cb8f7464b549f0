"""DeviceUseStatement in Clinical Quality Language: whether a collar is on, which kind, how long. ``cds.fhir.reading.device_use``.

Collars are told by the codes of the device; by its words only the service tells them.
"""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.publishing.cql.record_functions import is_one_of, label, tuples
from cds.fhir.publishing.cql.syntax import literal, number
from cds.fhir.reading.code_map import ANY_CODE, CodeMap, CodingKey
from cds.fhir.reading.device_use import HOURS, IN_PLACE, KIND
from rules.model.facts import FactDefinition

_OPEN = "not-said"

_PREPARED = """\
// Whether a code is that of a collar: the kind, 'OPEN' where it leaves the kind open, null for another device.
define function "Collar of Coding"(C Tuple{system String, code String}):
  case
    KINDS
    else null
  end

define function "Collar of"(type FHIR.CodeableConcept):
  First(((("Plain"(type.coding)) C return all "Collar of Coding"(C))) K where K is not null)

// A device is contained in the statement, or sent along.
define function "Collars of"(statement FHIR.DeviceUseStatement):
  (if StartsWith(statement.device.reference.value, '#')
    then statement.contained D where D is FHIR.Device and '#' + D.id.value = statement.device.reference.value
      return all "Collar of"((D as FHIR.Device).type)
    else [Device] D where "Leads To"(statement.device.reference.value, 'Device', D.id.value)
      return all "Collar of"(D.type)) K
    where K is not null

define private "Collar Uses":
  [DeviceUseStatement] R
    let kinds: "Collars of"(R),
      begun: if R.timing is FHIR.Period then (R.timing as FHIR.Period).start.value
        else if R.timing is FHIR.dateTime then (R.timing as FHIR.dateTime).value
        else null,
      over: if "Ends Before It Starts"(R.timing) then null
        else if R.timing is FHIR.Period then Coalesce((R.timing as FHIR.Period).end.value, R.recordedOn.value)
        else R.recordedOn.value
    where "Unchanged"(R) and exists kinds
    return all Tuple {
      status: R.status.value,
      kind: First(kinds K where K != 'OPEN'),
      timed: begun is not null,
      since: "Age of"(Coalesce(begun, R.recordedOn.value)),
      until: "Age of"(over),
      ended: if R.timing is FHIR.Period then "Latest of"((R.timing as FHIR.Period).end.value) else null,
      label: LABEL
    }

define private "Collars in Use":
  "Collar Uses" U where U.status = 'active' and Coalesce(U.since, 0) >= -TOLERANCE and Coalesce(U.ended, -1) < 0

// Of several in use the newest says which kind is on, and since when.
define private "Newest Collars in Use":
  "Collars in Use" U
    where U.since = Min("Collars in Use" X return all X.since) or Min("Collars in Use" X return all X.since) is null

// That one collar came off says nothing against another that is on.
define private "Collars Taken off":
  "Collar Uses" U where U.status in { 'completed', 'stopped' } and U.until >= 0 and not exists "Collars in Use"
"""


def device_uses(code_map: CodeMap) -> str:
    """The definitions of the collars in use, told by the codes of ``code_map``, and of those that were taken off."""
    whole: dict[str, list[CodingKey]] = {}
    kinds = []
    for key, collar in code_map.collars.items():
        said = (collar.kind and literal(collar.kind)) or f"'{_OPEN}'"
        if key.code == ANY_CODE:
            kinds.append((f"C.system = '{key.system}' and C.code is not null", said))
        else:
            whole.setdefault(said, []).append(key)
    exact = [(is_one_of(codings), said) for said, codings in whole.items()]
    cases = "\n    ".join(f"when {test} then {said}" for test, said in [*exact, *kinds])
    filled = _PREPARED.replace("KINDS", cases).replace("'OPEN'", f"'{_OPEN}'")
    filled = filled.replace("TOLERANCE", str(round(code_map.future_tolerance_minutes * 60)))
    return filled.replace("LABEL", label("DeviceUseStatement", "R"))


def worn(fact: FactDefinition, limit: str) -> Iterator[str]:
    """What the use of collars says of ``fact``, if anything; ``limit`` is how many hours a record of its end counts."""
    if fact.name == IN_PLACE:
        yield f'("Collars in Use" U return all {tuples("true", "U.since", "U.label")})'
        over = tuples("false", "U.until", "U.label")
        yield f'("Collars Taken off" U where "In Time"(U.until, {limit}) return all {over})'
    elif fact.name == KIND:
        yield f'("Newest Collars in Use" U where U.kind is not null return all {tuples("U.kind", "U.since", "U.label")})'
    elif fact.name == HOURS:
        assert fact.range is not None
        low, high = map(number, fact.range)
        hours = f'"Within"("Hours"(Max({{ 0, U.since }})), {low}, {high}, null as Decimal)'
        yield f'("Newest Collars in Use" U where U.timed return all {tuples(hours, "U.since", "U.label")})'
