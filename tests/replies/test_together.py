"""Replies sent within minutes are read together."""

from reminders.replies import Label, triage_joined


def test_a_sign_spread_over_two_replies_is_found() -> None:
    assert triage_joined(["my toe is", "black"]).label is Label.URGENT


def test_thanks_after_a_sign_do_not_close_it() -> None:
    assert triage_joined(["pus on the bandage", "ok thanks"]).label is Label.URGENT


def test_a_stop_beside_an_emergency_is_kept() -> None:
    result = triage_joined(["please stop texting me", "cant breathe"])

    assert (result.label, result.opt_out) == (Label.EMERGENCY, True)


def test_evidence_counts_in_the_texts_joined() -> None:
    texts = ["hello", "there is pus"]
    joined = " ".join(texts)

    for one in triage_joined(texts).why:
        assert joined[one.start : one.end] == one.words.replace("\n", " ")
