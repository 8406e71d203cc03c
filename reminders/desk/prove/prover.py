"""Tries the cases of a proof on one plan and says what falls short, with file and line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

from reminders.care.values import Channel
from reminders.desk.composing import House
from reminders.desk.plans import ReadyPlan
from reminders.desk.prove.cases import Case
from reminders.desk.prove.choices import AS_IT_IS, completed
from reminders.desk.prove.course_rules import Breach, Sound, breaches
from reminders.desk.prove.findings import Finding, Ledger, Severity, of_faults
from reminders.desk.prove.patients import Kind, cover, population, selection
from reminders.desk.prove.plan_rules import (
    default_breaches,
    keys_naming_medicine,
    plan_breaches,
    status_findings,
    unfinished_findings,
    whole_reading,
)
from reminders.desk.prove.strands import Depth, Strand
from reminders.desk.prove.text_files import TextFiles
from reminders.desk.prove.text_rules import Misworded, TextRules
from reminders.desk.prove.trial import Bench, Trial, UnwritableError
from reminders.errors import InputError, PlanError
from reminders.sentences import english
from reminders.wording.review.flaws import Flaw


@dataclass
class Tally:
    """What was run."""

    cases: int = 0
    """Enrollments worked out."""
    refused: int = 0
    """Of these, with facts that the plan refuses at once."""

    def add(self, other: Tally) -> None:
        """Count another part in."""
        self.cases += other.cases
        self.refused += other.refused


class Prover:
    """Knows one plan's rules and files; each process of a proof has its own."""

    def __init__(self, ready: ReadyPlan, house: House) -> None:
        self.plan = ready.plan
        self.bench = Bench(ready.plan, ready.wording, house)
        self.files = TextFiles(ready.plan)
        self._texts = TextRules(self.bench, self.files)
        self._sound = Sound()
        self._index = {each.key: number for number, each in enumerate(ready.plan.instructions)}

    @cached_property
    def pain_keys(self) -> frozenset[str]:
        """The instructions that name a medicine."""
        medicines = dict(self._texts.lists(self.files.original).medicines)
        return keys_naming_medicine(self.plan, self.files, medicines)

    def plan_findings(self) -> Iterator[Finding]:
        """Yield what is wrong with the plan as a whole, whatever the moment; PlanError when word lists are missing."""
        for language in self.plan.file.languages:
            self._texts.lists(language)
        yield from unfinished_findings(self.plan)
        yield from status_findings(self.plan, self.files)
        kinds = population(self.plan).kinds
        plain = completed(self.plan, AS_IT_IS).of(Case(procedure=self.plan.procedure, language=self.files.original))
        for breach, kind in plan_breaches(self.plan, kinds, self.pain_keys):
            case = None if kind is None else replace(plain, factors=kind.factors)
            yield self._of_breach(breach, case)
        for breach in default_breaches(self.bench, plain):
            yield self._of_breach(breach, plain)
        yield from self._reading_findings(kinds, plain)

    def strand_findings(self, strand: Strand) -> tuple[Ledger, Tally]:
        """Return what falls short in the cases of a strand, each finding once with its simplest case."""
        ledger, tally = Ledger(), Tally()
        for minute in strand.minutes:
            case = strand.case.at(minute)
            tally.cases += 1
            try:
                ledger.add(self._case_findings(case, strand))
            except InputError:
                tally.refused += 1
            except PlanError as error:
                ledger.add(replace(each, example=case) for each in of_faults(error.faults))
            except UnwritableError as error:
                ledger.add([self._unwritable(error, case)])
        return ledger, tally

    def everything(self, case: Case) -> Iterator[Finding]:
        """Yield all that falls short in one case, worked out whole; nothing when the plan refuses it."""
        try:
            trial, words = self.bench.whole(case)
            yield from self._course(trial)
            yield from self._worded(self._texts.flaws(trial, words), case)
        except InputError:
            return
        except PlanError as error:
            yield from (replace(each, example=case) for each in of_faults(error.faults))
        except UnwritableError as error:
            yield self._unwritable(error, case)

    def _unwritable(self, error: UnwritableError, case: Case) -> Finding:
        flaw = Flaw(
            rule="unrendered", message=english("can't be written for this patient: {why}").format(why=error.reason)
        )
        name, channel = error.each.text_name, error.each.channel
        text = Misworded(text_name=name, channel=channel, language=case.language, flaw=flaw)
        return next(self._worded(iter((text,)), case))

    def _case_findings(self, case: Case, strand: Strand) -> Iterator[Finding]:
        if strand.depth is Depth.ALONE:
            yield from self._course(self.bench.alone(case, strand.key))
            return
        trial, words, decisions = self.bench.decided(case)
        yield from self._course(trial)
        if strand.depth is Depth.WORDS:
            yield from self._worded(self._texts.flaws(trial, words), case)
            return
        for other in self._others(case) if strand.in_all_words else ():
            elsewhere = self.bench.in_other_words(other, decisions)
            if elsewhere is not None:
                yield from self._course(elsewhere)

    def _others(self, case: Case) -> Iterator[Case]:
        """Yield the case in every other language and channel."""
        for language in self.plan.file.languages:
            for channel in Channel:
                if (language, channel) != (case.language, case.channel):
                    yield replace(case, language=language, channel=channel)

    def _course(self, trial: Trial) -> Iterator[Finding]:
        for breach in breaches(trial, pain_keys=self.pain_keys, sound=self._sound):
            yield self._of_breach(breach, trial.case)

    def _of_breach(self, breach: Breach, case: Case | None) -> Finding:
        number = self._index.get(breach.key)
        file, line = self.plan.places.of((breach.key,) if number is None else ("instruction", number, breach.field))
        return Finding(
            rule=breach.rule,
            file=file,
            line=line,
            subject=breach.key,
            message=breach.message,
            severity=Severity.NOTICE if breach.notice else Severity.FAULT,
            example=case,
        )

    def _worded(self, found: Iterator[Misworded], case: Case | None) -> Iterator[Finding]:
        for each in found:
            file, line = self.files.place(each.language, each.text_name, each.channel, each.flaw.snippet)
            yield Finding(
                rule=each.flaw.rule,
                file=file,
                line=line,
                subject=f"{each.text_name} ({each.language}, {each.channel})",
                message=each.flaw.message,
                severity=Severity.NOTICE if each.flaw.notice else Severity.FAULT,
                example=case,
            )

    def _reading_findings(self, kinds: tuple[Kind, ...], plain: Case) -> Iterator[Finding]:
        """Yield languages whose texts, each once and taken together, are too hard to read."""
        enough = cover(kinds, lambda kind: (name for _, name in selection(self.plan, kind)))
        for language in self.plan.file.languages:
            for channel in Channel:
                bodies: dict[str, str] = {}
                for kind in enough:
                    case = replace(plain, language=language, factors=kind.factors, channel=channel)
                    try:
                        trial, words = self.bench.whole(case)
                        said = {
                            each.text_name: self._texts.said(each, message, trial, words).body
                            for message, each in trial.occurrences()
                        }
                    except (InputError, UnwritableError):
                        continue  # found with its place when the texts are tried
                    bodies = {**said, **bodies}
                yield from self._worded(whole_reading(tuple(bodies.items()), language, channel), None)
