"""Who works here: invitations, passwords, second factors, rests after failures, and sign-ins that run out."""

from __future__ import annotations

import base64
from datetime import timedelta

import pytest

from reminders.desk import own_account, signing_in, staff
from reminders.desk.one_time_codes import STEP_SECONDS, code_at, new_secret
from reminders.desk.passwords import hash_password, is_password
from reminders.desk.roles import RIGHTS, Right, Role, rights_of
from reminders.desk.signing_in import CodeNeeded, Limits, SignedIn, Tried
from reminders.desk.staff import Newcomer
from reminders.errors import InputError, NotFound, StateError
from reminders.records import staff as rows
from tests.desk.office import Office

PASSWORD = "four quiet herons wade"
LIMITS = Limits(idle=timedelta(minutes=20), longest=timedelta(hours=12))
BOSS = Newcomer(login="Boss", name="B. Owner", roles=("administrator",))
NURSE = Newcomer(login="nora", name="Nora Nurse", roles=("nurse",))


@pytest.fixture
def boss(office: Office) -> int:
    """The first administrator."""
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
        assert token
        return staff.follow_link(session, office.desk, token, PASSWORD, BOSS)


def let_in(office: Office, newcomer: Newcomer) -> int:
    """Invite somebody, who follows the link."""
    with office.database.writing() as session:
        _, token = staff.invite(session, office.desk, newcomer)
        return staff.follow_link(session, office.desk, token, PASSWORD)


def try_in(office: Office, login: str, password: str = PASSWORD, code: str = "") -> str:
    """Try to sign in."""
    tried = Tried(login=login, password=password, code=code)
    return signing_in.sign_in(office.database, office.desk, tried, LIMITS)


def who(office: Office, token: str) -> SignedIn | None:
    """Whom a token belongs to now."""
    with office.database.reading() as session:
        return signing_in.signed_in(session, token, office.clock.now(), LIMITS)


def shown_for(office: Office, secret: str) -> str:
    """The code that an authenticator shows now."""
    return code_at(base64.b32decode(secret), int(office.clock.now().timestamp()) // STEP_SECONDS)


def test_only_the_first_administrator_comes_in_without_invitation(office: Office, boss: int) -> None:
    assert boss
    with office.database.writing() as session:
        assert staff.first_link(session, office.desk) is None


def test_a_link_holds_once(office: Office) -> None:
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
        assert token
        staff.follow_link(session, office.desk, token, PASSWORD, BOSS)
    with office.database.writing() as session, pytest.raises(NotFound):
        staff.follow_link(session, office.desk, token, PASSWORD, NURSE)


def test_a_link_grows_old(office: Office, boss: int) -> None:
    assert boss
    with office.database.writing() as session:
        _, token = staff.invite(session, office.desk, NURSE)
    office.clock.advance(staff.LINK_HOLDS)
    with office.database.writing() as session, pytest.raises(NotFound):
        staff.follow_link(session, office.desk, token, PASSWORD)


def test_a_second_first_link_takes_the_place_of_the_first(office: Office) -> None:
    with office.database.writing() as session:
        earlier = staff.first_link(session, office.desk)
        staff.first_link(session, office.desk)
    assert earlier
    with office.database.writing() as session, pytest.raises(NotFound):
        staff.follow_link(session, office.desk, earlier, PASSWORD, BOSS)


def test_the_first_link_makes_an_administrator_whatever_was_asked(office: Office) -> None:
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
        assert token
        number = staff.follow_link(session, office.desk, token, PASSWORD, NURSE)
        member = rows.member_of(session, number)
    assert member
    assert member.roles == ["administrator", "nurse"]


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"login": "x y"}, "sign-in name"),
        ({"name": " "}, "name is missing"),
        ({"roles": ()}, "at least one role"),
        ({"roles": ("surgeon",)}, "no role surgeon"),
        ({"roles": ("clinician",)}, "licence"),
        ({"login": "BOSS"}, "has this name"),
        ({"name": "b. owner"}, "has this name"),
    ],
)
def test_a_newcomer_is_refused(office: Office, boss: int, changes: dict[str, object], problem: str) -> None:
    assert boss
    facts = {"login": "nora", "name": "Nora Nurse", "roles": ("nurse",)} | changes
    with office.database.writing() as session, pytest.raises(InputError, match=problem):
        staff.invite(session, office.desk, Newcomer(**facts))  # type: ignore[arg-type]  # the table holds what is wrong


def test_somebody_signs_in_and_out(office: Office, boss: int) -> None:
    token = try_in(office, " BOSS ")
    here = who(office, token)
    assert here
    assert (here.staff_id, here.name, here.is_idle) == (boss, "B. Owner", False)
    with office.database.writing() as session:
        signing_in.sign_out(session, office.desk, here)
    assert who(office, token) is None


@pytest.mark.parametrize(("login", "password"), [("boss", "wrong words all along"), ("nobody", PASSWORD), ("", "")])
def test_whatever_is_wrong_is_told_alike(office: Office, boss: int, login: str, password: str) -> None:
    assert boss
    with pytest.raises(InputError, match=r"^That did not match\."):
        try_in(office, login, password)


def test_an_account_rests_after_failures_even_from_the_right_password(office: Office, boss: int) -> None:
    assert boss
    for _ in range(signing_in.FREE_TRIES):
        with pytest.raises(InputError):
            try_in(office, "boss", "wrong words all along")
    with pytest.raises(InputError):
        try_in(office, "boss")
    office.clock.advance(timedelta(minutes=1))
    assert try_in(office, "boss")


def test_rests_grow_to_an_hour_and_no_longer(office: Office, boss: int) -> None:
    rests = []
    for _ in range(14):
        with pytest.raises(InputError):
            try_in(office, "boss", "wrong words all along")
        with office.database.reading() as session:
            member = rows.member_of(session, boss)
            assert member
            if member.locked_until:
                rests.append(int((member.locked_until - office.clock.now()).total_seconds() // 60))
                office.clock.move_to(member.locked_until)
    assert rests == [1, 2, 4, 8, 16, 32, 60, 60, 60, 60]


def test_a_code_of_the_second_factor_is_asked_for_and_taken_once(office: Office, boss: int) -> None:
    secret = b"12345678901234567890"
    with office.database.writing() as session:
        rows.set_member(session, boss, totp_secret=base64.b32encode(secret).decode())
    with pytest.raises(CodeNeeded):
        try_in(office, "boss")
    code = code_at(secret, int(office.clock.now().timestamp()) // STEP_SECONDS)
    assert try_in(office, "boss", code=code)
    with pytest.raises(InputError, match="did not match"):
        try_in(office, "boss", code=code)


def test_guessing_the_present_password_makes_the_account_rest_too(office: Office, boss: int) -> None:
    """OWASP ASVS 4.0.3, 2.2.1, from memory: whoever sits down at an open page has no more tries than at the door."""
    assert boss
    here = who(office, try_in(office, "boss"))
    assert here

    def change(old: str) -> None:
        own_account.change_password(office.database, office.desk, here, old=old, new="five slow otters swim")

    for guess in ["a guess"] * signing_in.FREE_TRIES + [PASSWORD]:
        with pytest.raises(InputError, match="rests"):
            change(guess)
    office.clock.advance(timedelta(minutes=1))
    change(PASSWORD)
    assert try_in(office, "boss", "five slow otters swim")


def test_a_second_factor_takes_the_place_of_none_that_is_there(office: Office, boss: int) -> None:
    """Otherwise whoever sits down at an open page replaces it without the password that removing it asks for."""
    mine, theirs = new_secret(), new_secret()
    here = who(office, try_in(office, "boss"))
    assert here
    own_account.set_second_factor(office.database, office.desk, here, mine, shown_for(office, mine))
    with pytest.raises(InputError, match="first"):
        own_account.set_second_factor(office.database, office.desk, here, theirs, shown_for(office, theirs))
    with office.database.reading() as session:
        member = rows.member_of(session, boss)
    assert member
    assert member.totp_secret == mine


@pytest.mark.parametrize("secret", ["é", "not base 32", "A"])
def test_no_code_fits_what_is_no_secret(office: Office, boss: int, secret: str) -> None:
    assert boss
    here = who(office, try_in(office, "boss"))
    assert here
    with pytest.raises(InputError, match="is not the code"):
        own_account.set_second_factor(office.database, office.desk, here, secret, "123456")


def test_a_sign_in_that_lies_idle_shows_nothing_and_the_longest_one_ends(office: Office, boss: int) -> None:
    assert boss
    token = try_in(office, "boss")
    office.clock.advance(LIMITS.idle)
    here = who(office, token)
    assert here
    assert here.is_idle
    office.clock.advance(LIMITS.longest)
    assert who(office, token) is None


def test_presence_keeps_a_sign_in_awake(office: Office, boss: int) -> None:
    assert boss
    token = try_in(office, "boss")
    for _ in range(3):
        office.clock.advance(timedelta(minutes=15))
        here = who(office, token)
        assert here
        assert not here.is_idle
        signing_in.note_presence(office.database, here, office.clock.now())


def test_whoever_is_let_go_is_out_at_once(office: Office, boss: int) -> None:
    assert boss
    number = let_in(office, NURSE)
    token = try_in(office, "nora")
    with office.database.writing() as session:
        staff.let_go(session, office.desk, number)
    assert who(office, token) is None
    with pytest.raises(InputError):
        try_in(office, "nora")


def test_a_new_link_ends_the_old_password_and_sign_ins(office: Office, boss: int) -> None:
    assert boss
    number = let_in(office, NURSE)
    token = try_in(office, "nora")
    with office.database.writing() as session:
        fresh = staff.invite_again(session, office.desk, number)
    assert who(office, token) is None
    with pytest.raises(InputError):
        try_in(office, "nora")
    with office.database.writing() as session:
        staff.follow_link(session, office.desk, fresh, "other words by the river")
    assert try_in(office, "nora", "other words by the river")


def test_the_last_administrator_stays(office: Office, boss: int) -> None:
    with office.database.writing() as session:
        with pytest.raises(StateError):
            staff.let_go(session, office.desk, boss)
        with pytest.raises(StateError):
            staff.set_roles(session, office.desk, boss, ["nurse"], license_number="")
        with pytest.raises(StateError):
            staff.invite_again(session, office.desk, boss)


def test_roles_change_what_a_sign_in_may_do_at_once(office: Office, boss: int) -> None:
    assert boss
    number = let_in(office, NURSE)
    token = try_in(office, "nora")
    with office.database.writing() as session:
        staff.set_roles(session, office.desk, number, ["front_desk"], license_number="")
    here = who(office, token)
    assert here
    assert not here.may(Right.SEE_REPLIES)


@pytest.mark.parametrize("password", ["", "short", "fourteen chars", "a" * 40, "nora nurse nora nurse", "x" * 300])
def test_a_password_that_is_easy_to_guess_is_refused(password: str) -> None:
    """NIST SP 800-63B-4 section 3.1.1.2: 15 characters, no composition rules, nothing about the person."""
    with pytest.raises(InputError):
        hash_password(password, about=("nora", "Nurse"))


def test_a_hash_is_argon2id_with_the_cost_of_rfc_9106() -> None:
    """RFC 9106 section 4, second recommended option: t=3, p=4, m=2^16 KiB."""
    hashed = hash_password(PASSWORD)
    assert hashed.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert is_password(PASSWORD, hashed)
    assert not is_password(PASSWORD + "s", hashed)
    assert not is_password(PASSWORD, None)
    assert not is_password(PASSWORD, "no hash")


def test_a_password_is_the_same_however_its_letters_are_put_together() -> None:
    """NIST SP 800-63B-4 section 3.1.1.2: NFKC or NFKD before hashing."""
    assert is_password("Müller fährt Boot am See", hash_password("Mu\u0308ller fa\u0308hrt Boot am See"))


@pytest.mark.parametrize(
    ("role", "right"),
    [
        (Role.FRONT_DESK, Right.SEE_REPLIES),
        (Role.FRONT_DESK, Right.WORK_CONCERNS),
        (Role.FRONT_DESK, Right.STEER_COURSES),
        (Role.FRONT_DESK, Right.RUN_PRACTICE),
        (Role.NURSE, Right.APPROVE_PLANS),
        (Role.NURSE, Right.RUN_PRACTICE),
        (Role.CLINICIAN, Right.RUN_PRACTICE),
        (Role.ADMINISTRATOR, Right.SEE_COURSES),
        (Role.ADMINISTRATOR, Right.SEE_REPLIES),
        (Role.ADMINISTRATOR, Right.ENROLL),
        (Role.ADMINISTRATOR, Right.APPROVE_PLANS),
    ],
)
def test_a_role_has_no_more_rights_than_its_work_needs(role: Role, right: Right) -> None:
    assert right not in RIGHTS[role]


def test_every_right_belongs_to_somebody_and_an_unknown_role_gives_none() -> None:
    assert rights_of(Role) == frozenset(Right)
    assert rights_of(["surgeon"]) == frozenset()
