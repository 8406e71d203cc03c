"""Renders the automatic answers to replies, which are the same for every procedure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from reminders.care.values import Channel
from reminders.errors import NotFound
from reminders.sentences import english
from reminders.wording.facts import ANSWERS, Sender, safe_in, sender_names
from reminders.wording.framing import ANSWER_FRAME, FRAME, Rendered, frame_of, put_together, rendered_part
from reminders.wording.languages import LANGUAGE_FILE, TranslationStatus, read_language
from reminders.wording.texts import Texts


def render_answer(
    name: str, *, language: str, channel: Channel, sender: Sender, shared: Path, **values: datetime | bool | None
) -> Rendered:
    """Return the answer `name` (one of `ANSWERS`) in a language, by the templates in `shared`.

    `values` may hold `office_open`, `office_closing` (somebody is there, but promises no call any more), `on_call`
    (whether somebody is told at once), `past_midnight` (`due` is not today where the patient is), all False when not
    said, and `due`, the moment by which someone answers, aware and in the patient's zone; None names no moment. An
    answer to the wrong person holds nothing about a patient.
    NotFound for an answer or a language that there is not; PlanError for a faulty template.
    """
    if name not in ANSWERS:
        raise NotFound(english("no answer {name!r}; there are {known}").format(name=name, known=", ".join(ANSWERS)))
    texts = _texts(shared / language)
    names = {**sender_names(sender), "first_name": "", "site": ""}
    about: Mapping[str, object] = {
        **safe_in(channel, names),
        "names_site": False,
        "procedure_day": None,
        "office_open": False,
        "office_closing": False,
        "on_call": False,
        "due": None,
        "past_midnight": False,
        **values,
    }
    frame = frame_of(texts, ANSWER_FRAME if channel is Channel.EMAIL else FRAME, channel, about)
    body = rendered_part(texts.text(name, channel), channel, about, in_subject=names)
    return put_together([body], frame, channel)


def answer_languages(shared: Path, *, drafts: bool = True) -> tuple[str, ...]:
    """Return the languages that have shared texts, sorted; () when there is none.

    Without `drafts` only those whose texts were written in it, or read by a qualified translator.
    """
    found = sorted(path.parent for path in shared.glob(f"*/{LANGUAGE_FILE}"))
    return tuple(each.name for each in found if drafts or not _is_draft(each))


@lru_cache(maxsize=32)
def _is_draft(folder: Path) -> bool:
    return read_language(folder).translation_status is TranslationStatus.DRAFT


@lru_cache(maxsize=32)
def _texts(folder: Path) -> Texts:
    if not (folder / LANGUAGE_FILE).is_file():
        known = ", ".join(answer_languages(folder.parent)) or "none"
        raise NotFound(english("no answers in {folder!r}; there are {known}").format(folder=folder.name, known=known))
    return Texts((folder,), locale=read_language(folder).cldr_locale)
