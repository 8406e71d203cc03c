"""What somebody wrote in a mail, parted from quotes and signature; nothing of their own is ever left out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.exchange.mail_quotes import own_words, without_prefix
from tests.counting import calls_of

OURS = """Example Foot Care: Is your bandage dry, and is your pain under control?

Reply YES or NO to this e-mail. Call us at 312-555-0100 if you see redness that is spreading,
pus, or a red streak going up your foot.

To stop these e-mails, reply STOP.
"""
MARKED = "".join(f"> {line}\n" for line in OURS.splitlines())
INTRO = "On Wed, Jun 10, 2026 at 9:00 AM Example Foot Care <office@example.org> wrote:"
HEADERS = """-----Original Message-----
From: Example Foot Care <office@example.org>
Sent: Wednesday, June 10, 2026 9:00 AM
To: robin@example.org
Subject: A question after your visit"""
OUTLOOK = f"""________________________________
{HEADERS.partition(chr(10))[2]}

"""

# The forms are those that mail programs write (common practice, from memory); every text is invented.
FORMS = [
    pytest.param(f"yes, dry\n\n{INTRO}\n{MARKED}", "yes, dry", id="above-a-marked-quote"),
    pytest.param(f"NO\n\n{HEADERS}\n\n{OURS}", "NO", id="above-a-quote-without-marks"),
    pytest.param(f"NO\n\n{OUTLOOK}{OURS}", "NO", id="above-a-line-and-headers"),
    pytest.param(f"{INTRO}\n{MARKED}\nyes", "yes", id="below-a-marked-quote"),
    pytest.param(f"{HEADERS}\n\n{OURS}\nyes", "yes", id="below-a-quote-without-marks"),
    pytest.param(
        f"{HEADERS}\n\n{OURS}\nredness that is spreading", "redness that is spreading", id="our-own-words-said-again"
    ),
    pytest.param(
        f"{INTRO}\n> Is your bandage dry, and\n> is your pain under control?\n\nno it is soaked\n\n> Reply YES or NO\n",
        "no it is soaked",
        id="within-the-quote",
    ),
    pytest.param("STOP\n\nSent from my iPhone", "STOP", id="the-telephone-signs"),
    pytest.param(f"STOP\n\nSent from my iPhone\n\n{INTRO}\n{MARKED}", "STOP", id="the-telephone-signs-above-a-quote"),
    pytest.param("ALTO\n\nEnviado desde mi teléfono", "ALTO", id="the-telephone-signs-in-spanish"),
    pytest.param("it hurts a lot\n-- \nRobin Invented\n312-555-0123", "it hurts a lot", id="rfc-3676-signature"),
    pytest.param(
        f"8\n\nEl mié, 10 jun 2026 a las 9:00, Example <office@example.org> escribió:\n{MARKED}", "8", id="es"
    ),
    pytest.param(f"NO\n\n{HEADERS.partition(chr(10))[2]}\n\n{OURS}", "NO", id="above-headers-alone"),
    pytest.param(
        "NO\n\nDe: Example <office@example.org>\nEnviado el: miércoles\nPara: Robin\nAsunto: Una pregunta\n\n" + OURS,
        "NO",
        id="above-headers-in-spanish",
    ),
    pytest.param(
        f"NO\n\nGet Outlook for iOS<https://example.org/x>\n{OUTLOOK}{OURS}", "NO", id="the-program-signs-with-a-link"
    ),
    pytest.param(
        f"NO\n\n-------- Original Message --------\nOn Wednesday, Example Foot Care wrote:\n\n{MARKED}",
        "NO",
        id="above-a-separator-and-an-introduction",
    ),
    pytest.param(
        f"NO\n\nOn Wed, Jun 10, 2026 Example Foot Care with a long name\n<office@example.org> wrote:\n\n{MARKED}",
        "NO",
        id="an-introduction-of-two-lines",
    ),
    pytest.param(
        f"NO\n\n> On Jun 10, 2026, Example Foot Care wrote:\n>\n{MARKED}", "NO", id="an-introduction-that-is-marked"
    ),
    pytest.param(f"NO\n\n{HEADERS}\n\nExample Foot Care:\n{OURS.partition(': ')[2]}", "NO", id="its-first-words-apart"),
    pytest.param("", "", id="nothing"),
]
KEPT = [
    pytest.param("Thanks,\nbut when can I shower?", id="thanks-is-no-signature"),
    pytest.param("- red\n- hot\n- swollen", id="a-list-is-no-signature"),
    pytest.param("--\nit bleeds\na lot\nsince noon\nit does not stop\nplease call\nme now", id="long-after-two-dashes"),
    pytest.param(">38 since this morning", id="more-than"),
    pytest.param("On Monday my wife wrote:\nthe toe is black", id="an-introduction-of-nothing"),
    pytest.param("From: me\nTo: you\nthe toe is black", id="headers-of-nothing"),
    pytest.param("From: my wife\nTo: you\nSubject: my toe\n\nit is black", id="headers-of-my-own"),
    pytest.param("it is infected\nsent from the hospital to my mother", id="sent-from-elsewhere"),
    pytest.param("Sent from my phone", id="nothing-but-a-signature"),
    pytest.param("thank you\n-- \nwhen can I shower?", id="a-question-is-no-signature"),
    pytest.param("Warning: it smells, says my wife by mail", id="a-warning"),
]


@pytest.mark.parametrize(("mail", "own"), FORMS)
def test_what_was_written_is_found_among_what_was_quoted(mail: str, own: str) -> None:
    assert own_words(mail, [OURS]).text == own


@pytest.mark.parametrize("mail", KEPT)
def test_what_only_looks_like_a_quote_is_kept(mail: str) -> None:
    assert own_words(mail, [OURS]).text == mail


def test_nothing_gets_lost_between_the_two_parts() -> None:
    mail = f"NO\n\nSent from my iPhone\n\n{INTRO}\n{MARKED}\nand it smells"
    parted = own_words(mail, [OURS])
    both = [line for part in (parted.text, parted.left_out) for line in part.splitlines() if line.strip()]
    assert sorted(both) == sorted(line for line in mail.splitlines() if line.strip())


def test_a_quote_of_what_we_do_not_know_is_kept_unless_it_is_marked() -> None:
    assert "redness" not in own_words(f"yes\n\n{INTRO}\n{MARKED}").text
    assert "redness" in own_words(f"yes\n\n{HEADERS}\n\n{OURS}").text


_PHRASES = st.sampled_from(
    ["yes", "no", "STOP", "7", "the toe is black", "pus, or a red streak", "redness that is spreading", "reply", ">101"]
)


@given(
    words=st.lists(_PHRASES, min_size=1, max_size=3),
    form=st.sampled_from([f"{INTRO}\n{MARKED}", f"{HEADERS}\n\n{OURS}", f"{OUTLOOK}{OURS}"]),
    below=st.booleans(),
)
def test_own_words_survive_above_and_below_any_quote(words: list[str], form: str, below: bool) -> None:
    said = "\n".join(words)
    mail = f"{form}\n\n{said}" if below else f"{said}\n\n{form}"
    kept = own_words(mail, [OURS]).text.splitlines()
    marked = [each for each in words if each.startswith(">")]
    wanted = words if not below and len(marked) < 2 else [each for each in words if each not in marked]
    assert [each for each in kept if each in wanted] == wanted


@given(text=st.text(alphabet="On wrote:>-_ \n\x00aEl escribió", max_size=400))
def test_any_text_is_parted_without_loss(text: str) -> None:
    parted = own_words(text, [OURS])
    seen = "".join((parted.text + parted.left_out).split())
    assert sorted(seen) == sorted("".join(text.split()))


@pytest.mark.parametrize("unit", ["On a\n", "> \n", "From: a\n", "\n", "____\n", "wrote:\n"])
def test_the_work_grows_with_the_lines_of_a_text_and_no_faster(unit: str) -> None:
    some, twice = (calls_of(own_words, unit * lines, [OURS]) for lines in (500, 1000))
    assert twice < 2.2 * some


@pytest.mark.parametrize("unit", ["On ", "> ", "Am x schrieb ", "wrote:", "____", "Sent from "])
def test_a_line_of_twenty_thousand_letters_comes_back(unit: str) -> None:
    """A pattern that tried more than pairs of places would not be through with it today."""
    line = unit * (20_000 // len(unit))
    parted = own_words(line, [OURS])
    assert (parted.text + parted.left_out).strip() == line.strip()


@pytest.mark.parametrize(
    ("subject", "own"),
    [
        ("Re: A question after your visit", ""),
        ("AW: RE: A question after your visit", ""),
        ("unsubscribe", "unsubscribe"),
        ("Re: my toe is black", "my toe is black"),
        ("", ""),
    ],
)
def test_a_subject_of_ours_says_nothing(subject: str, own: str) -> None:
    assert without_prefix(subject, ["A question after your visit"]) == own
