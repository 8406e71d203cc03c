"""Every plan on the shelf passes the quick proof; `reminders check` without `--quick` proves the rest."""

from __future__ import annotations

import pytest

from reminders.desk.composing import House
from reminders.desk.prove.findings import Severity
from reminders.desk.prove.run import Bound, prove
from reminders.desk.prove.strands import Effort
from tests.build import LEAD, PLANS, rules_of
from tests.library.shelf import PROCEDURES, SENDER

HOUSE = House(sender=SENDER, rules=rules_of("21:00-08:00"), segment_limit=3)


@pytest.mark.parametrize("procedure", [each for each in PROCEDURES if each != LEAD])  # its mutations' tests prove it
def test_a_plan_of_the_shelf_holds(procedure: str) -> None:
    report = prove(procedure, Bound(templates=PLANS, house=HOUSE), effort=Effort.QUICK, processes=1)
    assert [str(each) for each in report.findings if each.severity is Severity.FAULT] == []
    assert report.cases
