"""Replies sent within minutes are read together."""

from reminders.replies import Label, triage, triage_together


def test_a_sign_spread_over_two_replies_is_found() -> None:
    assert triage_together(["my toe is", "black"]).label is Label.URGENT


def test_the_most_urgent_reply_decides_and_a_stop_is_honoured_too() -> None:
    result = triage_together(["STOP", "cant breathe"])

    assert (result.label, result.opt_out) == (Label.EMERGENCY, True)


def test_thanks_after_a_sign_do_not_close_it() -> None:
    assert triage_together(["pus on the bandage", "ok thanks"]).label is Label.URGENT


def test_one_reply_is_triaged_as_it_is() -> None:
    assert triage_together(["7"], after="checkin_pain") == triage("7", after="checkin_pain")


def test_no_replies_are_as_an_empty_one() -> None:
    assert triage_together([]).label is Label.ROUTINE


def test_evidence_counts_in_the_texts_joined_by_line_breaks() -> None:
    texts = ["hello", "there is pus"]
    joined = "\n".join(texts)

    for one in triage_together(texts).why:
        assert joined[one.start : one.end].replace("\n", " ") == one.words.replace("\n", " ")
