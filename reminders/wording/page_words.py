"""The words of the patient's own page around the texts, in each language that has them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from reminders.care.plan import Picture
from reminders.care.values import Slot
from reminders.wording.answers import answer_languages
from reminders.wording.word_files import read_words

PAGE_FILE = "page.toml"


class _Words(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class OpeningWords(_Words):
    """Where the page is opened by its code, and where a link leads that opens nothing."""

    title: str
    code: str
    hint: str
    button: str
    wrong: str
    wait: str
    locked: str
    gone_title: str
    gone: str


class StepWords(_Words):
    """The steps of the course."""

    now: str
    nothing_now: str
    next: str
    last: str
    today: str
    tomorrow: str
    yesterday: str
    at: str
    at_desk: str
    not_sent: str
    normal: str
    so_far: str
    to_come: str
    none_to_come: str
    paused: str
    ended: str
    stopped: str
    visit: str
    add_visit: str


class CallWords(_Words):
    """Asking for a call."""

    title: str
    about: str
    number: str
    no_number: str
    button: str
    asked: str
    enough: str


class LanguageWords(_Words):
    """Changing the language."""

    title: str
    label: str
    button: str
    messages_too: str
    messages_stay: str


class TimesWords(_Words):
    """Changing the times of the patient's day."""

    title: str
    about: str
    slots: dict[Slot, str]
    look: str
    changes: str
    nothing: str
    not_sent: str
    save: str
    leave: str
    not_possible: str
    order: str
    saved: str


class StoppingWords(_Words):
    """Stopping the messages."""

    title: str
    about: str
    button: str
    ask: str
    sure: str
    leave: str
    done: str


class DeviceWords(_Words):
    """The copy of the page that stays on the patient's device."""

    kept: str
    forget: str
    forgotten: str
    forgotten_note: str
    offline: str


class MailWords(_Words):
    """The page that ends e-mails."""

    title: str
    ask: str
    button: str
    ended: str
    ended_note: str
    unknown: str
    unknown_note: str


class PageWords(_Words):
    """`page.toml` of one language."""

    call_us: str
    emergency: str
    no_wait: str
    questions: str
    back: str
    again: str
    failed: str
    pictures: dict[Picture, str]
    opening: OpeningWords
    steps: StepWords
    call: CallWords
    language: LanguageWords
    times: TimesWords
    stopping: StoppingWords
    device: DeviceWords
    mails: MailWords


def page_words(shared: Path, language: str) -> PageWords:
    """Return the words in a language that has them; PlanError when its file is faulty."""
    return read_words(shared / language / PAGE_FILE, PageWords)


def page_languages(shared: Path, *, drafts: bool) -> tuple[str, ...]:
    """Return the languages that have these words, sorted; without `drafts` only those fit to be shown to a patient."""
    known = answer_languages(shared, drafts=drafts)
    return tuple(each for each in known if (shared / each / PAGE_FILE).is_file())


def choose_page_language(known: Sequence[str], *wanted: str) -> str:
    """Return the first language wanted that is known, as it is or without what narrows it (RFC 4647 section 3.4).

    `es-MX` is `es` when there is no Mexican one; English when none is known.
    """
    for each in wanted:
        code = each
        while code:
            if code in known:
                return code
            code = code.rpartition("-")[0]
    return "en"
