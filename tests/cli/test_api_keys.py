"""`reminders api-keys`: make a key, list what there is, take one back."""

from __future__ import annotations

from tests.cli.terminal import Terminal

ADD = ("api-keys", "add", "Appointment book", "--scope", "enroll", "--scope", "courses:read", "--by", "Ada Admin")


def test_a_key_is_printed_alone_on_stdout_and_never_again(terminal: Terminal) -> None:
    made = terminal.run(*ADD)
    assert made.exit_code == 0
    key = made.stdout.strip()
    assert key.startswith("reminders_")
    assert "shown once" in made.stderr
    assert key not in terminal.run("api-keys").stdout
    assert key.rpartition("_")[2] not in str(terminal.ask("api-keys"))


def test_the_list_tells_what_each_may_do_and_whether_it_holds(terminal: Terminal) -> None:
    key = terminal.ask(*ADD, "--expires", "2026-03-08T12:00")["key"]
    (row,) = terminal.ask("api-keys")
    assert row == {
        "name": "Appointment book",
        "prefix": key.split("_")[1],
        "state": "active",
        "scopes": ["courses:read", "enroll"],
        "created_at": "2026-03-07T15:45:00-06:00",
        "created_by": "Ada Admin",
        "expires_at": "2026-03-08T12:00:00-05:00",
        "revoked_at": None,
        "last_used_on": None,
    }
    terminal.later("2026-03-08T17:00:00+00:00")
    assert terminal.ask("api-keys")[0]["state"] == "expired"


def test_a_revoked_key_is_listed_as_such(terminal: Terminal) -> None:
    terminal.run(*ADD)
    assert terminal.run("api-keys", "revoke", "Appointment book").exit_code == 0
    assert "revoked" in terminal.run("api-keys").stdout
    assert terminal.run("api-keys", "revoke", "Appointment book").exit_code == 2


def test_a_key_without_a_scope_or_with_an_unknown_one_is_refused(terminal: Terminal) -> None:
    for scopes in ((), ("--scope", "everything")):
        refused = terminal.run("api-keys", "add", "Trial", *scopes)
        assert refused.exit_code == 2
        assert "concerns:write" in refused.stderr
    assert terminal.ask("api-keys") == []
