"""What a procedure folder may hold: the aftercare plan as its file spells it, checked and frozen.

Every class mirrors one table of `plan.toml`; those that say when stand in `reminders.care.timings`. Unknown keys are
faults. Cross-references (an anchor that does not exist, a setting never declared) are checked in
`reminders.care.references`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from reminders.care.timings import Amount, Table, When
from reminders.care.toml_lines import Places
from reminders.care.values import Asks, InDoubt, QuietMove
from reminders.sentences import english

BASE_ANCHORS = ("procedure_end", "block_placed", "dressing_applied", "visit")
"""The known instants a plan counts from; `visit` only when one is booked."""

VISIT_MARKS = ("visit_booked", "visit_not_booked")
"""Conditions that hold by the facts of a course, beside its patient factors."""

MEDICINE_MARKS = ("no_ibuprofen", "no_acetaminophen")
"""Conditions that follow from the patient factors: the medicine is barred, or must be asked about first."""

Key = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]


class Site(StrEnum):
    """Where an anaesthetic was given."""

    DIGIT = "digit"  # a block at a finger or toe
    SKIN = "skin"  # into the skin around the place
    DENTAL = "dental"  # beside a tooth, or a block of the jaw


class Picture(StrEnum):
    """A drawing of something that the patient does; the patient's page shows it beside the words."""

    DRESSING_OFF = "dressing_off"
    SOAK = "soak"  # or wash, or hold under water
    PAT_DRY = "pat_dry"
    OINTMENT = "ointment"  # whatever is put on thinly
    DRESSING = "dressing"
    REST = "rest"
    MEDICINE = "medicine"
    PHONE = "phone"
    CALENDAR = "calendar"


class NumberSetting(Table):
    """A whole number that a clinician may set per patient, within a range."""

    default: int = Field(strict=True)
    lowest: int = Field(strict=True)
    highest: int = Field(strict=True)
    unit: Literal["minutes", "hours", "days", "day", "weeks", "months", "years", "times", "samples", "mg"]
    says: str
    source: str
    after_anchor: str | None = None
    """The day it names must lie after the local day of this anchor."""
    after_anchor_days: int = Field(default=1, ge=1, strict=True)
    """By at least so many days."""
    depends_on: str | None = None
    """A choice of the plan; `defaults` says which number each of its values starts with."""
    defaults: Mapping[str, int] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _in_range(self) -> NumberSetting:
        for value in (self.default, *self.defaults.values()):
            if not self.lowest <= value <= self.highest:
                raise ValueError(
                    english("default {value} lies outside {lowest} to {highest}").format(
                        value=value, lowest=self.lowest, highest=self.highest
                    )
                )
        if (self.depends_on is None) != (not self.defaults):
            raise ValueError(english("`depends_on` and `defaults` belong together"))
        return self


class ChoiceSetting(Table):
    """A choice that a clinician may record per patient; empty means not recorded."""

    default: str
    choices: Literal["anaesthetics"] | tuple[str, ...]
    at: Site = Site.DIGIT
    """Of anaesthetics: where it was given, which decides how long it lasts."""
    needs: Mapping[str, str] = Field(default_factory=dict)
    """For a value, the other setting that has to be recorded before a course may begin with it."""
    says: str
    source: str

    @model_validator(mode="after")
    def _is_choice(self) -> ChoiceSetting:
        for value in self.needs:
            if value not in self.choices:
                raise ValueError(
                    english("`needs` speaks of {value!r}, which is not one of the choices").format(value=value)
                )
        if self.default and self.choices != "anaesthetics" and self.default not in self.choices:
            raise ValueError(
                english("default {default!r} is not one of {known}").format(
                    default=self.default, known=", ".join(self.choices)
                )
            )
        return self


def _kind_of_setting(table: object) -> str:
    keys = table if isinstance(table, Mapping) else getattr(table, "__dict__", {})
    return "choice" if "choices" in keys else "number"


Setting = Annotated[
    Annotated[NumberSetting, Tag("number")] | Annotated[ChoiceSetting, Tag("choice")],
    Discriminator(_kind_of_setting),
]


class DerivedAnchor(Table):
    """An instant counted in elapsed hours from another anchor."""

    after: str
    hours: Amount
    or_sooner_by: str | None = None
    """A setting holding an anaesthetic: when it is recorded, the low end of its range counts."""
    or_until_high_of: str | None = None
    """The same, but the high end counts: numbness beyond it is no longer the anaesthetic's."""
    says: str
    """What happens then, as the end of a sentence: `60 min before the block may wear off`."""


class TextChoice(Table):
    """Other words for an instruction when conditions hold; the first that fits is used."""

    use: Key
    if_any: tuple[str, ...] = ()
    if_all: tuple[str, ...] = ()
    asks: Asks | Literal[""] | None = None
    """What these words ask, if not what the instruction asks; empty for nothing."""

    @model_validator(mode="after")
    def _has_condition(self) -> TextChoice:
        if not self.if_any and not self.if_all:
            raise ValueError(english("a text needs `if_any` or `if_all`, or it hides all that follow"))
        return self

    def fits(self, marks: frozenset[str]) -> bool:
        """Say whether the patient's marks meet the conditions."""
        return (not self.if_any or not marks.isdisjoint(self.if_any)) and marks.issuperset(self.if_all)


class Instruction(Table):
    """One thing the patient is told: when, under which conditions, and what quiet hours may do to it."""

    key: Key
    about: str
    when: tuple[When, ...]
    quiet: QuietMove
    required: bool
    importance: int = Field(ge=1, le=9, strict=True)
    in_doubt: InDoubt
    useful_hours: int | None = Field(default=None, ge=1, strict=True)
    useful_until: str | None = None
    asks: Asks | None = None
    only_if_any: tuple[str, ...] = ()
    not_if_any: tuple[str, ...] = ()
    texts: tuple[TextChoice, ...] = ()
    words_change_with: tuple[str, ...] = ()
    """Factors that change a few words inside the texts."""
    contradicts: tuple[str, ...] = ()
    """Keys that must not follow this one within the same course (stop ointment; apply ointment)."""
    pictures: tuple[Picture, ...] = ()
    """In the order in which things are done. One that has the name of a setting is left out when that is `none`."""
    tells_normal: bool = False
    """It says what is normal: the patient's page shows it from the first day on."""
    source: str

    @model_validator(mode="after")
    def _says_how_long_useful(self) -> Instruction:
        if (self.useful_hours is None) == (self.useful_until is None):
            raise ValueError(english("say either `useful_hours` or `useful_until` (an anchor)"))
        if not self.when:
            raise ValueError(english("`when` is empty: the instruction would never be said"))
        return self

    def applies(self, marks: frozenset[str]) -> bool:
        """Say whether this instruction is for a patient with these marks."""
        wanted = not self.only_if_any or not marks.isdisjoint(self.only_if_any)
        return wanted and marks.isdisjoint(self.not_if_any)

    def text_choice(self, marks: frozenset[str]) -> TextChoice | None:
        """Return the first choice of other words whose conditions hold, None for the instruction's own."""
        return next((choice for choice in self.texts if choice.fits(marks)), None)

    @property
    def text_names(self) -> tuple[str, ...]:
        """Every template the instruction may use."""
        return (self.key, *(choice.use for choice in self.texts))


class StaffTask(Table):
    """Something that staff have to see to at its moment; the patient is not told."""

    key: Key
    says: str
    """What is to be done, as a question that can be answered with yes (`Was the result given?`)."""
    when: tuple[When, ...] = Field(min_length=1)
    only_if_any: tuple[str, ...] = ()
    not_if_any: tuple[str, ...] = ()
    source: str

    def applies(self, marks: frozenset[str]) -> bool:
        """Say whether this task comes up for a patient with these marks."""
        wanted = not self.only_if_any or not marks.isdisjoint(self.only_if_any)
        return wanted and marks.isdisjoint(self.not_if_any)


class WarningSign(Table):
    """A sign the patient is told to watch for, for the sheet and for the reader of the plan."""

    sign: str
    urgency: Literal["emergency", "urgent", "routine"]
    from_day: int = Field(ge=0, strict=True)
    reply_signs: tuple[str, ...] = ()
    """Which signs found in a reply mean this one, any of them; `fever + spreading_redness` means both together."""
    reply_until_day: int | None = Field(default=None, ge=0, strict=True)
    """The last day of the course on which a reply is raised to this urgency; None for all."""
    source: str


class PlanFile(Table):
    """`plan.toml` as a whole."""

    title: str
    version: int = Field(ge=1, strict=True)
    languages: tuple[str, ...] = Field(min_length=1)
    cautions: tuple[str, ...] = Field(min_length=1)
    desk_message: str
    """The instruction sent while the patient still stands at the desk; what fits nowhere else is put into it."""
    blocks: tuple[Key, ...] = ()
    """Files in shared/blocks/ whose tables this plan holds too; its own tables change theirs."""
    leave_out: tuple[str, ...] = ()
    """Instructions of the blocks that this plan does without."""
    factors: tuple[str, ...] = ()
    settings: Mapping[str, Setting] = Field(default_factory=dict)
    anchors: Mapping[str, DerivedAnchor] = Field(default_factory=dict)
    instruction: tuple[Instruction, ...] = Field(min_length=1)
    staff_task: tuple[StaffTask, ...] = ()
    warning_sign: tuple[WarningSign, ...] = Field(min_length=1)
    sources: Mapping[str, str] = Field(default_factory=dict)


class SharedRow(Table):
    """A row of a table that all plans share."""

    aliases: tuple[str, ...] = ()
    """Other names that people type for it, spelt as names are."""
    source: str


class Anaesthetic(SharedRow):
    """How long numbness by one agent lasts at one kind of site, in hours from the injection."""

    name: str
    low: float = Field(gt=0)
    typical: str
    high: float = Field(gt=0)

    @model_validator(mode="after")
    def _low_before_high(self) -> Anaesthetic:
        if self.low >= self.high:
            raise ValueError(english("low {low} is not below high {high}").format(low=self.low, high=self.high))
        return self


class Factor(SharedRow):
    """Something about a patient that changes the plan, and what it means for pain relief."""

    says: str
    ibuprofen: Literal["ok", "ask", "no"] = "ok"
    acetaminophen: Literal["ok", "ask", "no"] = "ok"

    @property
    def medicine_marks(self) -> frozenset[str]:
        """Which medicines must not be offered by an automatic text."""
        return frozenset(
            mark
            for mark, value in zip(MEDICINE_MARKS, (self.ibuprofen, self.acetaminophen), strict=True)
            if value != "ok"
        )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Plan:
    """An aftercare plan, loaded and checked, with the shared tables it refers to; each load is its own value."""

    procedure: str
    """The folder's name."""
    folder: Path
    shared: Path
    file: PlanFile
    anaesthetics: Mapping[str, Anaesthetic]
    """Those used at this plan's kind of site."""
    factors: Mapping[str, Factor]
    """All known factors by name; `file.factors` says which change this plan."""
    places: Places = field(default_factory=Places)
    """Where each table and key stands, in plan.toml or in a block, for findings."""

    def __repr__(self) -> str:
        """Name the plan; its tables would fill pages."""
        return f"Plan({self.procedure!r}, version {self.file.version})"

    @property
    def title(self) -> str:
        """The procedure's name in words."""
        return self.file.title

    @property
    def instructions(self) -> tuple[Instruction, ...]:
        """The instructions in the file's order."""
        return self.file.instruction

    def instruction(self, key: str) -> Instruction:
        """Return the instruction with this key; KeyError when there is none."""
        return next((each for each in self.instructions if each.key == key), None) or self._missing(key)

    def _missing(self, key: str) -> Instruction:
        raise KeyError(key)
