"""A serious reply stays before a person however it is written: slips, case, punctuation, courtesy, emoji."""

import csv
import random
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from reminders.replies import Label, triage

Row = dict[str, str]


def rows(*labels: str) -> list[Row]:
    found: list[Row] = []
    for path in sorted((Path(__file__).parent / "sets").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            found += [row for row in csv.DictReader(file) if row["label"] in labels]
    return found


SERIOUS = rows("emergency", "urgent")
# A bare or leading "no" means something else once words stand before it or punctuation is gone.
SENTENCES = [row for row in SERIOUS if not re.match(r"(?i)\s*(no|n|nope|nah|👎)\b", row["text"])][::4]


def unaccented(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def slip(kind: str) -> Callable[[str], str]:
    """One slip inside a word of five letters or more, the same one each time for the same text."""

    def change(text: str) -> str:
        rng = random.Random(text + kind)
        words = text.split(" ")
        long = [at for at, word in enumerate(words) if len(word) >= 5 and word.isalpha()]
        if not long:
            return text
        at = rng.choice(long)
        word = words[at]
        i = rng.randrange(1, len(word) - 1)
        words[at] = {
            "swapped": word[:i] + word[i + 1] + word[i] + word[i + 2 :],
            "doubled": word[:i] + word[i] + word[i:],
            "replaced": word[:i] + rng.choice("bcdfghjkmpqvwxz") + word[i + 1 :],
            "left_out": word[:i] + word[i + 1 :],
        }[kind]
        return " ".join(words)

    return change


CHANGES: dict[str, tuple[Callable[[str], str], float]] = {
    # change, and the share that must stay urgent or higher
    "upper case": (str.upper, 0.99),
    "title case": (str.title, 0.99),
    "exclamation marks": (lambda text: text + "!!!", 0.99),
    "emoji appended": (lambda text: text + " 🙏😊", 0.99),
    "laugh appended": (lambda text: text + " lol", 0.99),
    "thanks appended": (lambda text: text + " thanks", 0.99),
    "thanks put before": (lambda text: "ok thanks " + text, 0.99),
    "greeting put before": (lambda text: "hi doc, " + text, 0.99),
    "signature": (lambda text: text + "\nSent from my phone", 0.99),
    "double blanks": (lambda text: text.replace(" ", "  "), 0.99),
    "accents dropped": (unaccented, 0.99),
    "punctuation dropped": (lambda text: re.sub(r"[,.;!?'](?!\d)", "", text), 0.98),
    "letters swapped": (slip("swapped"), 0.97),
    "letter doubled": (slip("doubled"), 0.97),
    "letter replaced": (slip("replaced"), 0.96),
    "letter left out": (slip("left_out"), 0.95),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_serious_reply_stays_serious_however_it_is_written(name: str) -> None:
    change, least = CHANGES[name]
    results = [
        (row, triage(change(row["text"]), after=row["after_message"], language=row["lang"])) for row in SENTENCES
    ]
    lower = [change(row["text"]) for row, r in results if r.label not in {Label.EMERGENCY, Label.URGENT}]
    closed = [change(row["text"]) for row, r in results if not r.needs_person]

    assert 1 - len(lower) / len(results) >= least, lower
    # A letter left out may make another word of it ("black", "back"), which nobody can tell.
    assert len(closed) <= (2 if name == "letter left out" else 0), closed


@pytest.mark.parametrize("name", ["upper case", "exclamation marks", "emoji appended", "thanks appended"])
def test_a_stop_is_honoured_however_it_is_written(name: str) -> None:
    change, _ = CHANGES[name]
    missed = [row["text"] for row in rows("stop") if not triage(change(row["text"]), language=row["lang"]).opt_out]

    assert missed == []


@pytest.mark.parametrize("sign", ["fever", "chills", "pus", "bleeding", "vomiting", "red streaks", "numbness"])
def test_a_negation_put_before_a_sign_denies_it(sign: str) -> None:
    said, denied = triage(f"there is {sign}"), triage(f"there is no {sign}")

    assert said.label in {Label.URGENT, Label.EMERGENCY}
    assert denied.label not in {Label.URGENT, Label.EMERGENCY}


@pytest.mark.parametrize("row", rows("none")[::12], ids=lambda row: row["id"])
def test_a_serious_sentence_appended_reopens_a_closed_reply(row: Row) -> None:
    result = triage(row["text"] + ". also my tongue is swelling", after=row["after_message"])

    assert result.label is Label.EMERGENCY
