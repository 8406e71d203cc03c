"""The chart record as one page of HTML, to read, to print and to file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, StrictUndefined, Template

from reminders.desk.chart_record import ChartRecord
from reminders.wording.languages import direction_of
from reminders.words import gettext, language, marked, on_day, shown, shown_all

_PAGE = Path(__file__).with_name("record_page.html")


@dataclass(frozen=True, kw_only=True)
class _Exchanged:
    at: datetime
    who: str
    text: str
    note: str


def record_page(record: ChartRecord, *, made_at: datetime) -> str:
    """Return the record as a page that fetches nothing, in the language of the staff."""
    exchanged = sorted(_exchanged(record), key=lambda each: each.at)
    return _template().render(
        record=record,
        facts=list(_facts(record)),
        exchanged=exchanged,
        language=language(),
        direction=direction_of(language()),
        made_at=made_at,
        when=lambda moment: _when(record, moment),
    )


def _exchanged(record: ChartRecord) -> Iterator[_Exchanged]:
    for said in record.replies:
        signs = shown_all(said.signs)
        note = f"{shown(said.label)}: {signs}" if signs else shown(said.label)
        yield _Exchanged(at=said.received_at, who=gettext("patient"), text=said.text, note=note)
    for each in record.answers:
        yield _Exchanged(at=each.send_at, who=gettext("answer"), text=each.text, note=shown(each.state))


def _facts(record: ChartRecord) -> Iterator[tuple[str, str]]:
    course, plan = record.course, record.plan
    ended = f", {_when(record, record.ended_at)}" if record.ended_at else ""
    yield gettext("State"), shown(record.state) + ended
    yield gettext("Plan"), gettext("{procedure}, version {version}", procedure=plan.procedure, version=plan.version)
    yield gettext("Approved by"), _approved(record)
    enrolled = gettext("{moment} by {name}", moment=_when(record, record.enrolled_at), name=record.enrolled_by)
    yield gettext("Enrolled"), enrolled
    yield gettext("Procedure ended"), _when(record, course.procedure_end)
    moments = (
        (marked("Block placed"), course.block_placed),
        (marked("Dressing applied"), course.dressing_applied),
        (marked("Return visit"), course.visit),
    )
    yield from ((gettext(name), _when(record, moment)) for name, moment in moments if moment is not None)
    yield gettext("Language"), course.language
    factors = ", ".join(name.replace("_", " ") for name in sorted(course.factors))
    yield gettext("Patient factors"), factors or gettext("none")
    settings = ", ".join(f"{name} = {value}" for name, value in course.settings.items())
    yield gettext("Settings"), settings or gettext("as the plan says")
    if course.site:
        yield gettext("Site"), course.site


def _approved(record: ChartRecord) -> str:
    approval = record.plan.approval
    if approval is None:
        return gettext("nobody")
    moment = _when(record, approval.at)
    return gettext(
        "{name}, licence {license}, {moment}", name=approval.approved_by, license=approval.license, moment=moment
    )


def _when(record: ChartRecord, moment: datetime) -> str:
    return on_day(moment.astimezone(record.zone))


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.globals.update(_=gettext, gettext=gettext, word=shown)
    environment.filters.update(spaced=lambda text: text.replace("_", " "), word=shown)
    return environment.from_string(_PAGE.read_text("utf-8"))
