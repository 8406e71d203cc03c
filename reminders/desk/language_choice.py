"""Which language a patient is written to in: the first of a fixed order that has texts fit to be sent."""

from __future__ import annotations

from reminders.desk.course_facts import language_of
from reminders.desk.plans import ReadyPlan
from reminders.errors import InputError
from reminders.wording.dates import is_known
from reminders.wording.languages import TranslationStatus
from reminders.words import gettext


def choose_language(
    ready: ReadyPlan, wanted: str, *, practice_language: str, drafts_allowed: bool
) -> tuple[str, tuple[str, ...]]:
    """Return the language to write in and what staff should know about it.

    The order: the language wanted; the same language without its region; the practice's language; the language
    the plan was written in. A translation that nobody qualified has read counts only where drafts are allowed.
    Raises InputError for a language that does not exist, or when none of these has texts fit to be sent.
    """
    try:
        asked: str | None = language_of(wanted, ready.plan)
    except InputError:
        if not is_known(wanted.strip().replace("-", "_")):
            raise
        asked = None
    order = [code for code in (asked, practice_language, *_originals(ready)) if code in ready.plan.file.languages]
    fit = [code for code in order if code and (drafts_allowed or ready.statuses[code] is not TranslationStatus.DRAFT)]
    if not fit:
        raise InputError(
            gettext(
                "{procedure} has no texts in {wanted!r} that a qualified translator has read, and none to "
                "fall back on; have one of its languages reviewed",
                procedure=ready.plan.procedure,
                wanted=wanted,
            )
        )
    chosen = fit[0]
    if chosen == asked:
        return chosen, ()
    if asked:
        told = gettext(
            "the texts in {wanted} are a draft that no qualified translator has read: this patient is written to in "
            "{chosen}; make sure that somebody who reads it is with them, or telephone instead",
            wanted=wanted,
            chosen=chosen,
        )
    else:
        told = gettext(
            "the texts in {wanted} do not exist: this patient is written to in {chosen}; make sure that somebody who "
            "reads it is with them, or telephone instead",
            wanted=wanted,
            chosen=chosen,
        )
    return chosen, (told,)


def _originals(ready: ReadyPlan) -> list[str]:
    return [code for code in ready.plan.file.languages if ready.statuses[code] is TranslationStatus.ORIGINAL]
