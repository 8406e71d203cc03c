"""Lexicon files: each can be compiled, names its sources, and uses only signs that exist."""

from pathlib import Path

import pytest

import reminders.replies.vocabulary as module
from reminders.replies.labels import SIGNS
from reminders.replies.lexicon import Lexicon
from reminders.replies.spelling import NearMisses, fold, meant_by, spanish_sound
from reminders.replies.vocabulary import load_source, vocabulary

FOLDER = Path(module.__file__).parent / "lexicons"
FILES = sorted(FOLDER.glob("**/*.toml"))
LANGUAGES = sorted({path.relative_to(FOLDER).parts[0].removesuffix(".toml") for path in FILES})
# Kinds that are judged into one of the signs.
DERIVED = {"pus_or_serum", "medicine_if_asked"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(FOLDER)))
def test_each_file_says_where_its_words_come_from(path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("# ")


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_files_of_each_language_compile(language: str) -> None:
    Lexicon((vocabulary("en"), vocabulary(language)), modest=False)


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_sign_of_a_language_is_a_known_sign(language: str) -> None:
    named = {kind.removeprefix("sign.") for kind in load_source(language).patterns if kind.startswith("sign.")}

    assert named <= {*SIGNS, *DERIVED}


@pytest.mark.parametrize(
    ("word", "folded"),
    [("DON’T", "dont"), ("Año", "ano"), ("helllllp", "hellp"), ("st\u200bop", "stop"), ("Đau", "dau")],
)
def test_folding_brings_spellings_together(word: str, folded: str) -> None:
    assert fold(word) == folded


@pytest.mark.parametrize(
    ("slip", "right"),
    [("inchado", "hinchado"), ("benda", "venda"), ("aser", "hacer"), ("siete", "ciete"), ("kiero", "quiero")],
)
def test_spanish_words_that_sound_alike_are_one(slip: str, right: str) -> None:
    assert spanish_sound(slip) == spanish_sound(right)


def test_spanish_rr_is_another_sound_than_r() -> None:
    assert spanish_sound("pero") != spanish_sound("perro")


@pytest.mark.parametrize(
    ("slip", "meant"), [("bleding", {"bleeding"}), ("infectoin", {"infection"}), ("blck", {"black"}), ("cat", set())]
)
def test_a_slip_finds_the_word_it_was_meant_for(slip: str, meant: set[str]) -> None:
    near = NearMisses(["bleeding", "infection", "black", "cart"]).near(slip)

    assert meant_by(slip, near) == meant
