"""Where the words of a message stand: the template files of one plan, searched for a piece of a text."""

from __future__ import annotations

from functools import cached_property, lru_cache
from pathlib import Path

from reminders.care.plan import Plan
from reminders.care.values import Channel
from reminders.wording.dates import Calendar
from reminders.wording.languages import TranslationStatus, read_language
from reminders.wording.texts import Texts, file_name


class TextFiles:
    """The templates of a plan in all its languages."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._texts: dict[str, Texts] = {}
        self._calendars: dict[str, Calendar] = {}

    def texts(self, language: str) -> Texts:
        """Return the templates of a language."""
        found = self._texts.get(language)
        if found is None:
            folders = (self._plan.folder / language, self._plan.shared / language)
            found = self._texts[language] = Texts(folders, locale=read_language(folders[0]).cldr_locale)
        return found

    def calendar(self, language: str) -> Calendar:
        """Return how a language writes dates and times."""
        found = self._calendars.get(language)
        if found is None:
            folder = self._plan.folder / language
            found = self._calendars[language] = Calendar(read_language(folder).cldr_locale)
        return found

    @cached_property
    def original(self) -> str:
        """The language the texts were written in; the plan's first when none says so."""
        languages = self._plan.file.languages
        original = TranslationStatus.ORIGINAL
        written = (each for each in languages if self.status(each) is original)
        return next(written, languages[0])

    def status(self, language: str) -> TranslationStatus:
        """Return how far the plan's own texts in a language can be trusted."""
        return read_language(self._plan.folder / language).translation_status

    def place(self, language: str, name: str, channel: Channel, snippet: str = "") -> tuple[Path, int]:
        """Return the file and line in which a piece of a text stands, the text's own first line if it can't be told."""
        texts = self.texts(language)
        files = texts.with_included(file_name(name, channel))
        sources = [texts.source(each) for each in files]
        for source, path in sources if snippet else ():
            if line := _line_with(source, snippet.lower()):
                return path, line
        return sources[0][1], 1


@lru_cache(maxsize=512)
def _line_with(source: str, snippet: str) -> int:
    """Return the line that holds the snippet, or its longest word that any line holds; 0 for none."""
    lines = source.lower().splitlines()
    words = sorted(snippet.split(), key=len, reverse=True)
    for wanted in (snippet, *(word for word in words if len(word) > 3)):
        for number, line in enumerate(lines, start=1):
            if wanted in line or (wanted.isdigit() and wanted in line.replace(",", "").replace(".", "")):
                return number
    return 0
