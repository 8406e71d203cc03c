"""What the counter shows before anybody is typed: the procedure it begins with, and whether that may be sent."""

from __future__ import annotations

from reminders.desk.approve import Approver, approve
from reminders.desk.checkout import look_ahead, usual_procedure
from tests.build import LEAD
from tests.desk.conftest import Opener
from tests.desk.office import Office


def problems(office: Office) -> tuple[str, ...]:
    """What the counter says is not yet right while nobody is typed."""
    return look_ahead(office.database, office.desk, office.given(first_name="", phone="")).problems


def begins_with(office: Office) -> str:
    """The procedure that the counter's form is for at first."""
    with office.database.reading() as session:
        return usual_procedure(session, office.desk)


def test_a_plan_that_nobody_approved_is_told_of_before_anybody_is_typed(office_at: Opener) -> None:
    office = office_at(demo=False)
    assert any("no clinician approved" in each for each in problems(office))
    with office.database.writing() as session:
        approve(session, office.desk, LEAD, Approver(name="A. Clinician (invented)", license="IL-0000"))
    assert problems(office) == ()


def test_the_counter_begins_with_what_was_enrolled_last_else_with_what_may_be_sent(office_at: Opener) -> None:
    office = office_at(demo=False)
    assert begins_with(office) == next(iter(office.desk.library.names()))
    with office.database.writing() as session:
        approve(session, office.desk, "vasectomy", Approver(name="A. Clinician (invented)", license="IL-0000"))
        approve(session, office.desk, LEAD, Approver(name="A. Clinician (invented)", license="IL-0000"))
    assert begins_with(office) == LEAD
    office.enroll(procedure="vasectomy")
    assert begins_with(office) == "vasectomy"
