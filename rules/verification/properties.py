"""The properties that are proved, each stated twice: as a formula for the solver, and as a check of concrete patients.

A property names its possible violations with labels. The formula says when a label is violated by some patient; the check
says which labels given patients violate, with the plain evaluator. What both agree on is a real counterexample.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import z3

from rules.evaluation.hit_policy import choose
from rules.evaluation.information_gain import Sizer
from rules.evaluation.interpreter import Firing, conclusion_value, fire
from rules.model.conditions import Condition, Known, evaluate, facts_read
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset, TaskCall, by_priority
from rules.model.timing import Timing
from rules.verification.invariants import Claim, NeverSizedShape, RisingShape, RiskShape, StaysWithheldShape
from rules.verification.smt_encoding import (
    TRUE,
    Evaluation,
    Formula,
    OutlookFormulas,
    Patient,
    SizingFormulas,
    all_of,
    any_of,
    any_patient,
    any_value,
    constant,
    negated,
    plausible,
)

Facts = Mapping[str, FactValue]
Label = str


@dataclass(frozen=True)
class Statement:
    """A property as formulas: the patients it speaks of, what is assumed of them, and when each label is violated."""

    patients: tuple[Patient, ...]
    assumed: Formula
    violated: Mapping[Label, Formula]


class Property(ABC):
    """One property of one ruleset."""

    id: str
    says: str
    safety: bool = True
    """Whether somebody can be hurt where it fails; a site can then neither sign its failure off nor do without it."""

    def __init__(self, whole: Ruleset, part: Ruleset | None = None) -> None:
        """Speak about ``whole``; where given, ``part`` holds the rules that bear on the property."""
        self.whole = whole
        self.ruleset = part or whole

    @abstractmethod
    def statement(self) -> Statement:
        """The property as formulas."""

    @abstractmethod
    def check(self, *patients: Facts) -> frozenset[Label]:
        """The labels that ``patients`` (facts of one or two) violate, worked out with the plain evaluator."""

    def firing(self, facts: Facts) -> Firing:
        """What fires for ``facts``."""
        return fire(self.ruleset, facts)


class Complete(Property):
    """Every patient gets a value on every axis, or a stated reason why there is none."""

    id = "complete"
    says = "Every patient gets exactly one size to try first on each axis, or an explicit reason why no size is given."

    def statement(self) -> Statement:
        """A label an axis: no value, and no hold."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        sizing = SizingFormulas(Evaluation(self.ruleset, patient))
        missing = {name: all_of([negated(sizing.held), negated(axis.offered)]) for name, axis in sizing.axes.items()}
        return Statement((patient,), patient.plausible, missing)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The axes without a value and without a hold."""
        (facts,) = patients
        sizing = choose(self.ruleset, self.firing(facts).fired)
        if sizing.holds:
            return frozenset()
        return frozenset(name for name, axis in sizing.axes.items() if not axis.candidates)


class NoContradiction(Property):
    """Rules that fire together do not contradict each other unresolved."""

    id = "no-contradiction"
    says = (
        "No two rules that fire together contradict each other: in a conclusion of the same priority, in who performs a "
        "task, or in sizes that are not neighbours."
    )

    def statement(self) -> Statement:
        """Labels: ``conclude:FACT:WINNER:OTHER``, ``perform:TASK:RULE:RULE``, ``gap:AXIS``."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        violated: dict[Label, Formula] = {}
        for fact, first, second in self._conclusions:
            won, lost = (first.id, fact), (second.id, fact)
            violated[f"conclude:{fact}:{first.id}:{second.id}"] = all_of(
                [
                    evaluation.draws[won],
                    evaluation.open_before[won],
                    evaluation.draws[lost],
                    evaluation.drawn[won] != evaluation.drawn[lost],
                ]
            )
        for task, first, second in self._performers:
            both = all_of([evaluation.fires[first.id], evaluation.fires[second.id]])
            violated[f"perform:{task}:{first.id}:{second.id}"] = both
        for name, axis in SizingFormulas(evaluation).axes.items():
            values = axis.axis.values
            gaps = [
                all_of([axis.candidate[low], negated(axis.candidate[middle]), axis.candidate[high]])
                for low, middle, high in combinations(values, 3)
            ]
            violated[f"gap:{name}"] = any_of(gaps)
        return Statement((patient,), patient.plausible, violated)

    @cached_property
    def _conclusions(self) -> list[tuple[str, Rule, Rule]]:
        """Pairs of rules that conclude one fact with the same priority, in the order in which they are drawn."""
        order = [rule for stratum in self.ruleset.strata for rule in by_priority(stratum)]
        return [
            (fact, first, second)
            for first, second in combinations(order, 2)
            for fact in sorted(first.writes & second.writes)
            if second.priority == first.priority
        ]

    @cached_property
    def _performers(self) -> list[tuple[str, Rule, Rule]]:
        """Pairs of rules that ask different people for one task."""
        asked = [
            (call.task, call.performer, rule)
            for rule in self.ruleset.rules.values()
            for call in rule.then.tasks
            if call.performer is not None
        ]
        return [
            (task, first, second)
            for (task, who, first), (other, whom, second) in combinations(asked, 2)
            if task == other and who != whom
        ]

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The labels violated by the rules that fire."""
        (facts,) = patients
        firing = self.firing(facts)
        fired = {rule.id for rule in firing.fired}
        found = {
            f"conclude:{fact}:{first.id}:{second.id}"
            for fact, first, second in self._conclusions
            if firing.concluded_by.get(fact) == first.id
            and second.id in fired
            and self._concluded(second, fact, firing) not in (None, firing.facts[fact])
        }
        found |= {
            f"perform:{task}:{first.id}:{second.id}"
            for task, first, second in self._performers
            if {first.id, second.id} <= fired
        }
        for name, choice in choose(self.ruleset, firing.fired).axes.items():
            ranks = sorted(self.ruleset.axes[name].rank(value) for value in choice.candidates)
            if ranks and ranks != list(range(ranks[0], ranks[0] + len(ranks))):
                found.add(f"gap:{name}")
        return frozenset(found)

    def _concluded(self, rule: Rule, fact: str, firing: Firing) -> FactValue | None:
        (conclusion,) = [conclusion for conclusion in rule.then.conclusions if conclusion.fact == fact]
        value = conclusion_value(conclusion, firing.facts)
        return None if value is None or self.ruleset.vocabulary[fact].problem(value) else value


class NoSizeAgainstAWarning(Property):
    """A size never comes with the word that there must be none."""

    id = "no-size-against-a-warning"
    says = "No patient gets a size together with a do-not-size hold or a critical caution against putting a collar on."

    def statement(self) -> Statement:
        """A label for each rule that speaks against a collar."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        sized = negated(SizingFormulas(evaluation).withheld)
        violated = {rule.id: all_of([evaluation.fires[rule.id], sized]) for rule in against_a_collar(self.ruleset)}
        return Statement((patient,), patient.plausible, violated)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The rules that fired against a collar although a size is given."""
        (facts,) = patients
        fired = self.firing(facts).fired
        if choose(self.ruleset, fired).withheld:
            return frozenset()
        return frozenset(rule.id for rule in against_a_collar(self.ruleset) if rule in fired)


AGAINST_A_COLLAR = re.compile(
    r"\bno collar\b|\bwithout a collar\b|\bis not (to be )?sized\b|\bdo not (size|fit|apply|put)\b"
    r"|\bleave (the|a) collar off\b|\bbefore any collar\b",
    re.IGNORECASE,
)
"""Words of a critical caution that forbid a collar. A caution in other words is found where it repeats a hold's rule."""


def against_a_collar(ruleset: Ruleset) -> list[Rule]:
    """The rules of ``ruleset`` with a do-not-size hold, or with a critical caution that forbids a collar.

    A caution forbids one by its words, or by standing in a rule with such a hold.
    """
    holding = [rule for rule in ruleset.rules.values() if any(hold.kind == "do_not_size" for hold in rule.then.holds)]
    texts = {caution.text for rule in holding for caution in rule.then.cautions if caution.severity == "critical"}
    return [
        rule
        for rule in ruleset.rules.values()
        if rule in holding
        or any(
            caution.severity == "critical" and (caution.text in texts or AGAINST_A_COLLAR.search(caution.text))
            for caution in rule.then.cautions
        )
    ]


class WithinTheLine(Property):
    """No line is offered a dimension that its collars do not reach (``largest`` of an axis)."""

    id = "within-the-line"
    says = "No infant or child is offered a dimension outside its line, as a first size or as another candidate."

    @cached_property
    def _beyond(self) -> dict[Label, tuple[str, str, str, str]]:
        """By label: an axis and its value, and another axis with a value larger than may be offered beside it."""
        found = {}
        for name, axis in self.ruleset.axes.items():
            for value, limits in axis.largest.items():
                for other, most in limits.items():
                    values = self.ruleset.axes[other].values
                    for larger in values[values.index(most) + 1 :]:
                        found[f"{value}:{larger}"] = (name, value, other, larger)
        return found

    def statement(self) -> Statement:
        """A label for each pair of values: both are candidates, and a size is given."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        sizing = SizingFormulas(Evaluation(self.ruleset, patient))
        violated = {
            label: all_of(
                [negated(sizing.withheld), sizing.axes[name].candidate[value], sizing.axes[other].candidate[larger]]
            )
            for label, (name, value, other, larger) in self._beyond.items()
        }
        return Statement((patient,), patient.plausible, violated)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The pairs of values that are offered together."""
        (facts,) = patients
        sizing = choose(self.ruleset, self.firing(facts).fired)
        if sizing.withheld:
            return frozenset()
        return frozenset(
            label
            for label, (name, value, other, larger) in self._beyond.items()
            if value in sizing.axes[name].candidates and larger in sizing.axes[other].candidates
        )


class DangersAreSaid(Property):
    """A recorded danger is said, whatever else is recorded or not: ordered, about to be put on, worn, withheld, leaving."""

    id = "dangers-are-said"
    says = (
        "Every answer that the facts call a danger, once recorded, brings a critical caution of its own in every phase."
    )

    @cached_property
    def _saying(self) -> dict[Label, tuple[str, FactValue, list[Rule]]]:
        """By label ``FACT:ANSWER``: the fact, the answer, and the rules with a critical caution that read the fact."""
        critical = [
            rule
            for rule in self.ruleset.rules.values()
            if any(caution.severity == "critical" for caution in rule.then.cautions)
        ]
        return {
            f"{name}:{answer}": (name, answer, [rule for rule in critical if name in rule.reads])
            for name, fact in self.ruleset.vocabulary.items()
            for answer in (fact.danger.answers if fact.danger else ())
        }

    def statement(self) -> Statement:
        """A label for each danger: it is recorded, and no rule with a critical caution that reads it fires."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        violated = {}
        for label, (name, answer, saying) in self._saying.items():
            same = patient.value[name] == constant(self.ruleset.vocabulary[name], answer)
            said = any_of(evaluation.fires[rule.id] for rule in saying)
            violated[label] = all_of([patient.known[name], same, negated(said)])
        return Statement((patient,), patient.plausible, violated)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The dangers that are recorded and not said."""
        (facts,) = patients
        fired = {rule.id for rule in self.firing(facts).fired}
        return frozenset(
            label
            for label, (name, answer, saying) in self._saying.items()
            if facts.get(name) == answer and not any(rule.id in fired for rule in saying)
        )


class SettledStays(Property):
    """What the decision calls settled is settled."""

    id = "settled-stays"
    safety = False
    says = (
        "Learning more never changes a size that was called settled, and never takes the word back, as long as the records "
        "do not come to contradict each other."
    )

    def __init__(self, ruleset: Ruleset) -> None:
        """Look at the part of ``ruleset`` that sizes."""
        super().__init__(ruleset)
        self._sizer = Sizer(ruleset)

    def statement(self) -> Statement:
        """Two patients, of whom the second is the first with more known. Labels ``size`` and ``settled``."""
        part = self._sizer.ruleset
        before = any_patient(part.vocabulary, "a")
        later = Patient(
            {name: any_of([known, z3.Bool(f"b.known.{name}")]) for name, known in before.known.items()},
            before.value,
            TRUE,
        )
        first, second = Evaluation(part, before), Evaluation(part, later)
        sized, resized = SizingFormulas(first), SizingFormulas(second)
        settled = OutlookFormulas(first, sized).settled
        return Statement(
            (before, later),
            all_of([before.plausible, settled, *self._as_foreseen(first, second)]),
            {
                "size": negated(sized.same_outcome(resized)),
                "settled": negated(OutlookFormulas(second, resized).settled),
            },
        )

    def _as_foreseen(self, before: Evaluation, later: Evaluation) -> Iterator[Formula]:
        """Nothing unforeseen is known of the later patient that was not known, or concluded, before."""
        known = (
            (one.truth(Known(name))[0] for one in (before, later)) for name in sorted(self._sizer.ruleset.unforeseen)
        )
        return (any_of([earlier, negated(afterwards)]) for earlier, afterwards in known)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """Whether the second patient, who extends the first, has another size or is no longer settled."""
        before, later = patients
        if any(name not in later or later[name] != value for name, value in before.items()):
            return frozenset()
        if self._sizer.ruleset.unforeseen & (self.firing(later).facts.keys() - self.firing(before).facts.keys()):
            return frozenset()
        if not self._sizer.prospects(before, rank=False).settled:
            return frozenset()
        found = set()
        if self._sizer.size(before).outcome != self._sizer.size(later).outcome:
            found.add("size")
        if not self._sizer.prospects(later, rank=False).settled:
            found.add("settled")
        return frozenset(found)


class Rising(Property):
    """A claim ``rising``: more of a fact never gives a smaller value on an axis."""

    def __init__(self, ruleset: Ruleset, claim: Claim, rising: RisingShape) -> None:
        """Speak about ``rising``, which ``claim`` makes."""
        asked = facts_read(claim.where)
        super().__init__(ruleset, ruleset.part(lambda rule: bool(rule.then.sizes or rule.writes & asked)))
        self.id, self.says, self._where = claim.id, claim.says, claim.where
        self.safety, self._rising = claim.safety, rising

    def statement(self) -> Statement:
        """Two patients who differ in the fact alone. The label is the axis."""
        name = self._rising.fact
        first, second = _apart_in(name, self.ruleset)
        low, high = (Evaluation(self.ruleset, patient) for patient in (first, second))
        before, after = (SizingFormulas(evaluation).axes[self._rising.axis] for evaluation in (low, high))
        falls = [
            all_of([before.first[larger], after.first[smaller]])
            for smaller, larger in combinations(before.axis.values, 2)
        ]
        assumed = all_of(
            [second.plausible, first.value[name] < second.value[name], *_spoken_of(self._where, low, high)]
        )
        return Statement((first, second), assumed, {self._rising.axis: any_of(falls)})

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The axis, where the second patient has more of the fact and a smaller first value."""
        low, high = patients
        name = self._rising.fact
        if not _differ_only_in(name, low, high) or name not in low or not low[name] < high[name]:  # type: ignore[operator]
            return frozenset()
        firings = [self.firing(facts) for facts in patients]
        if not all(evaluate(self._where, firing.facts) is True for firing in firings):
            return frozenset()
        before, after = (self._first(firing) for firing in firings)
        if before is None or after is None:
            return frozenset()
        rank = self.ruleset.axes[self._rising.axis].rank
        return frozenset({self._rising.axis} if rank(after) < rank(before) else ())

    def _first(self, firing: Firing) -> str | None:
        candidates = choose(self.ruleset, firing.fired).axes[self._rising.axis].candidates
        return candidates[0] if candidates else None


class NoSize(Property):
    """A claim ``no_size``: the patients that it speaks of get no size."""

    def __init__(self, ruleset: Ruleset, claim: Claim) -> None:
        """Speak about the patients of ``claim``."""
        super().__init__(ruleset)
        self.id, self.says, self.safety, self._where = claim.id, claim.says, claim.safety, claim.where

    def statement(self) -> Statement:
        """The label ``size``: the claim speaks of the patient, and a size is given."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        sized = negated(SizingFormulas(evaluation).withheld)
        assumed = all_of([patient.plausible, *_spoken_of(self._where, evaluation)])
        return Statement((patient,), assumed, {"size": sized})

    def check(self, *patients: Facts) -> frozenset[Label]:
        """Whether the claim speaks of the patient, who gets a size."""
        (facts,) = patients
        firing = self.firing(facts)
        spoken_of = evaluate(self._where, firing.facts) is True
        return frozenset({"size"} if spoken_of and not choose(self.ruleset, firing.fired).withheld else ())


class NeverSized(Property):
    """A claim ``never_sized``: the patients that it speaks of are never offered some values of an axis."""

    def __init__(self, ruleset: Ruleset, claim: Claim, never: NeverSizedShape) -> None:
        """Speak about the patients of ``claim``."""
        super().__init__(ruleset)
        self.id, self.says, self.safety, self._where, self._never = (
            claim.id,
            claim.says,
            claim.safety,
            claim.where,
            never,
        )

    def statement(self) -> Statement:
        """A label for each value: the claim speaks of the patient, a size is given, and the value is a candidate."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        sizing = SizingFormulas(evaluation)
        candidate = sizing.axes[self._never.axis].candidate
        assumed = all_of([patient.plausible, negated(sizing.withheld), *_spoken_of(self._where, evaluation)])
        return Statement((patient,), assumed, {value: candidate[value] for value in self._never.values})

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The values that the patient is offered, where the claim speaks of the patient."""
        (facts,) = patients
        firing = self.firing(facts)
        sizing = choose(self.ruleset, firing.fired)
        if evaluate(self._where, firing.facts) is not True or sizing.withheld:
            return frozenset()
        return frozenset(self._never.values) & frozenset(sizing.axes[self._never.axis].candidates)


class StaysWithheld(Property):
    """A claim ``stays_withheld``: a value that is further astray never brings a size to whom none was given."""

    def __init__(self, ruleset: Ruleset, claim: Claim, stays: StaysWithheldShape) -> None:
        """Speak about the two patients of ``stays``, which ``claim`` makes."""
        super().__init__(ruleset)
        self.id, self.says, self.safety, self._where = claim.id, claim.says, claim.safety, claim.where
        self._stays = stays

    def statement(self) -> Statement:
        """Two patients who differ in the fact alone, the second further. The label ``size``: only the second gets one."""
        name = self._stays.fact
        first, second = _apart_in(name, self.ruleset)
        near, far = (Evaluation(self.ruleset, patient) for patient in (first, second))
        low, high = (first, second) if self._stays.further == "higher" else (second, first)
        further = low.value[name] < high.value[name]
        assumed = all_of([second.plausible, further, *_spoken_of(self._where, near, far)])
        gained = all_of([SizingFormulas(near).withheld, negated(SizingFormulas(far).withheld)])
        return Statement((first, second), assumed, {"size": gained})

    def check(self, *patients: Facts) -> frozenset[Label]:
        """Whether the second patient, whose fact is further, alone gets a size."""
        near, far = patients
        name = self._stays.fact
        if name not in near or not _differ_only_in(name, near, far):
            return frozenset()
        low, high = (near, far) if self._stays.further == "higher" else (far, near)
        firings = [self.firing(facts) for facts in patients]
        if not low[name] < high[name] or not all(evaluate(self._where, firing.facts) is True for firing in firings):  # type: ignore[operator]
            return frozenset()
        before, after = (choose(self.ruleset, firing.fired).withheld for firing in firings)
        return frozenset({"size"} if before and not after else ())


class NeverSlower(Property):
    """A claim ``never_slower``: a risk never makes a task less frequent, later, or left out."""

    def __init__(self, ruleset: Ruleset, claim: Claim, task: str, risk: RiskShape) -> None:
        """Speak about ``task`` and one ``risk`` to it, of which ``claim`` speaks."""
        asked = facts_read(claim.where)
        calling = {
            rule.id
            for rule in ruleset.rules.values()
            if any(call.task == task and not call.joins for call in rule.then.tasks)
        }
        super().__init__(ruleset, ruleset.part(lambda rule: rule.id in calling or bool(rule.writes & asked)))
        self.id, self.says, self._where = f"{claim.id}:{risk.fact}", claim.says, claim.where
        self.safety = claim.safety
        self._task, self._risk = task, risk

    @cached_property
    def _calls(self) -> list[tuple[Rule, TaskCall]]:
        return [
            (rule, call)
            for rule in self.ruleset.rules.values()
            for call in rule.then.tasks
            if call.task == self._task and not call.joins
        ]

    def statement(self) -> Statement:
        """Two patients who differ in the risk alone, the second worse. Labels: ``interval``, ``deadline``, ``asked``."""
        name = self._risk.fact
        fact = self.ruleset.vocabulary[name]
        first = any_patient(self.ruleset.vocabulary, "a")
        worse = any_value(fact, "b")
        second = first.with_fact(name, TRUE, worse, plausible(fact, worse))
        without, with_risk = (Evaluation(self.ruleset, patient) for patient in (first, second))
        slower = {
            "interval": self._later("interval_hours", without, with_risk),
            "deadline": self._later("within_hours", without, with_risk),
            "asked": all_of([self._asked(without), negated(self._asked(with_risk))]),
        }
        assumed = [second.plausible, self._worsens(first, worse), *_spoken_of(self._where, without, with_risk)]
        return Statement((first, second), all_of(assumed), slower)

    def _worsens(self, first: Patient, worse: Formula) -> Formula:
        name = self._risk.fact
        fact = self.ruleset.vocabulary[name]
        known, value = first.known[name], first.value[name]
        if fact.numeric:
            return all_of([known, worse > value if self._risk.worse == "higher" else worse < value])
        bad = [self._risk.worse] if isinstance(self._risk.worse, bool) else self._risk.worse
        assert not isinstance(bad, str)
        is_bad = [any_of(term == constant(fact, code) for code in bad) for term in (value, worse)]
        return all_of([negated(all_of([known, is_bad[0]])), is_bad[1]])

    def _asked(self, evaluation: Evaluation) -> Formula:
        return any_of(evaluation.fires[rule.id] for rule, _ in self._calls)

    def _later(self, key: str, without: Evaluation, with_risk: Evaluation) -> Formula:
        """That for some number of hours a call within it fires without the risk and none fires with it."""
        hours = sorted({limit for _, call in self._calls if (limit := getattr(call.timing, key)) is not None})

        def within(evaluation: Evaluation, most: float) -> Formula:
            """That by ``evaluation`` a call fires which is due within ``most`` hours."""
            return any_of(
                evaluation.fires[rule.id]
                for rule, call in self._calls
                if (limit := getattr(call.timing, key)) is not None and limit <= most
            )

        return any_of(all_of([within(without, most), negated(within(with_risk, most))]) for most in hours)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The labels, where the second patient differs from the first only in a worse risk."""
        first, second = patients
        if not _differ_only_in(self._risk.fact, first, second) or not self._is_worse(first, second):
            return frozenset()
        firings = [self.firing(facts) for facts in patients]
        if not all(evaluate(self._where, firing.facts) is True for firing in firings):
            return frozenset()
        before, after = (self._timings(firing) for firing in firings)
        found = set()
        if before and not after:
            found.add("asked")
        for label, key in (("interval", "interval_hours"), ("deadline", "within_hours")):
            soonest = [
                min((hours for timing in timings if (hours := getattr(timing, key)) is not None), default=float("inf"))
                for timings in (before, after)
            ]
            if soonest[1] > soonest[0]:
                found.add(label)
        return frozenset(found)

    def _is_worse(self, first: Facts, second: Facts) -> bool:
        was, now = first.get(self._risk.fact), second.get(self._risk.fact)
        if self._risk.worse in ("higher", "lower"):
            if was is None or now is None:
                return False
            return now > was if self._risk.worse == "higher" else now < was  # type: ignore[operator]
        bad = self._risk.worse if isinstance(self._risk.worse, tuple) else (self._risk.worse,)
        return now in bad and was not in bad

    def _timings(self, firing: Firing) -> list[Timing]:
        fired = {rule.id for rule in firing.fired}
        return [call.timing for rule, call in self._calls if rule.id in fired]


def _spoken_of(where: Condition, *evaluations: Evaluation) -> list[Formula]:
    """That ``where`` is true of each patient."""
    return [evaluation.truth(where)[0] for evaluation in evaluations]


def _apart_in(name: str, ruleset: Ruleset) -> tuple[Patient, Patient]:
    """Two patients of whom the number ``name`` is known and may differ, and all else is the same."""
    fact = ruleset.vocabulary[name]
    whole = any_patient(ruleset.vocabulary, "a")
    other = any_value(fact, "b")
    return whole.with_fact(name, TRUE, whole.value[name]), whole.with_fact(name, TRUE, other, plausible(fact, other))


def _differ_only_in(name: str, first: Facts, second: Facts) -> bool:
    return {key: value for key, value in first.items() if key != name} == {
        key: value for key, value in second.items() if key != name
    }
