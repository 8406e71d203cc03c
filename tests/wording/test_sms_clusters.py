"""Grapheme clusters, against the rules of Unicode Annex 29 as the `regex` library has them."""

from __future__ import annotations

import unicodedata
from itertools import accumulate

import pytest
import regex
from hypothesis import given
from hypothesis import strategies as st

from reminders.wording.sms_clusters import clusters

# The kinds of character that join, often enough to meet each other.
_JOINING = st.sampled_from(
    "aé\u0301\u200d\u200c\r\n👨👩👧🏽🇺🇸🇲🇽\ufe0f❤क\u094dषि\u0e33\u1100\u1161\u11a8가\u0600\U000e0067🏴\u0d4e"
)
# Characters younger than the interpreter's Unicode tables have no category here.
_KNOWN = st.characters(exclude_categories=("Cs", "Cn"))


@given(st.text(_JOINING | _KNOWN))
def test_no_cluster_of_the_standard_is_cut(text: str) -> None:
    ours = set(accumulate(map(len, clusters(text))))
    standard = set(accumulate(map(len, regex.findall(r"\X", text))))

    assert ours <= standard
    assert "".join(clusters(text)) == text


@pytest.mark.parametrize(
    "cluster",
    [
        "e\u0301",
        "\r\n",
        "👨\u200d👩\u200d👧",
        "👍🏽",
        "🇲🇽",
        "❤\ufe0f",
        "🏴\U000e0067\U000e007f",
        "क्षि",
        "กำ",
        "각",
    ],
    ids=[
        "accent",
        "line end",
        "family",
        "skin tone",
        "flag",
        "variation",
        "tag flag",
        "conjunct",
        "am",
        "jamo",
    ],
)
def test_what_reads_as_one_stays_one(cluster: str) -> None:
    assert clusters(f"a{cluster}b") == ("a", cluster, "b")


@pytest.mark.parametrize("text", ["Soak", "¿Cómo", "Уход", "伤口护理", "العناية"])
def test_plain_letters_stay_single(text: str) -> None:
    assert clusters(unicodedata.normalize("NFC", text)) == tuple(text)


def test_two_flags_are_two() -> None:
    assert clusters("🇺🇸🇲🇽") == ("🇺🇸", "🇲🇽")


def test_empty_text_has_none() -> None:
    assert clusters("") == ()
