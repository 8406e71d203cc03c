"""Every clinical value of every plan against a table of facts that was written down apart from the plans."""

from __future__ import annotations

import re
from typing import Any

import pytest

from reminders.care.loading import load_plan
from reminders.care.plan import ChoiceSetting, NumberSetting, Plan, Site
from reminders.care.resolving import effective_settings
from reminders.care.values import Channel
from tests.build import PLANS
from tests.library.shelf import LANGUAGES, PROCEDURES, facts, plan_named, plans_like, said, wording_of

VALUES: list[dict[str, Any]] = facts()["value"]
SUTURED = ("cyst-excision", "punch-biopsy")
CHOICES: list[dict[str, Any]] = facts()["choice"]
OF_THE_SITE = {"anaesthetic", "sutures_at"}
"""Choices with a table of their own in the facts."""


def number(plan: Plan, name: str) -> NumberSetting:
    setting = plan.file.settings[name]
    assert isinstance(setting, NumberSetting)
    return setting


@pytest.mark.parametrize("row", VALUES, ids=lambda row: f"{row['plan']}-{row['setting']}")
def test_a_setting_has_the_default_range_and_unit_of_the_sources(row: dict[str, Any]) -> None:
    rows = [name for name in plans_like(row["plan"]) if row["setting"] in plan_named(name).file.settings]
    assert rows
    for name in rows:
        setting = number(plan_named(name), row["setting"])
        assert (setting.default, [setting.lowest, setting.highest], setting.unit) == (
            row["default"],
            row["range"],
            row["unit"],
        )


@pytest.mark.parametrize("row", CHOICES, ids=lambda row: f"{row['plan']}-{row['setting']}")
def test_a_choice_has_the_default_and_the_values_of_the_sources(row: dict[str, Any]) -> None:
    rows = [name for name in plans_like(row["plan"]) if row["setting"] in plan_named(name).file.settings]
    assert rows
    for name in rows:
        setting = plan_named(name).file.settings[row["setting"]]
        assert isinstance(setting, ChoiceSetting)
        assert (setting.default, list(setting.choices)) == (row["default"], row["choices"])


@pytest.mark.parametrize("row", facts()["depends"], ids=lambda row: f"{row['plan']}-{row['setting']}")
def test_a_number_that_depends_on_a_choice_starts_from_the_sources(row: dict[str, Any]) -> None:
    setting = number(plan_named(row["plan"]), row["setting"])
    assert (setting.depends_on, dict(setting.defaults)) == (row["by"], row["defaults"])


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_no_setting_of_a_plan_is_missing_in_the_table(procedure: str) -> None:
    known = {row["setting"] for row in (*VALUES, *CHOICES) if procedure in plans_like(row["plan"])} | OF_THE_SITE
    if procedure in SUTURED:
        known.add("visit_day")  # by place, see the table of stitches
    assert set(plan_named(procedure).file.settings) - known == set()


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_every_value_names_a_source_that_the_plan_lists(procedure: str) -> None:
    file = plan_named(procedure).file
    named = [
        *(each.source for each in file.settings.values()),
        *(each.source for each in file.instruction),
        *(each.source for each in file.staff_task),
        *(each.source for each in file.warning_sign),
    ]
    keys = {key for source in named for key in re.findall(r"\b(?=\w*[A-Z]{2})[A-Z0-9]+(?:-[A-Z0-9]+)*\b", source)}
    listed = {key.removesuffix(" list") for key in file.sources} | {"CFR", "UK", "US"}
    # Sources of the shared tables stand at the head of those tables.
    shared = "".join((PLANS / "shared" / name).read_text("utf-8") for name in ("factors.toml", "anaesthetics.toml"))
    assert {key for key in keys - listed if key not in shared} == set()
    assert all(named)


@pytest.mark.parametrize("procedure", SUTURED)
def test_stitches_come_out_on_a_day_within_what_the_sources_span(procedure: str) -> None:
    plan = plan_named(procedure)
    day = number(plan, "visit_day")
    assert set(day.defaults) == set(facts()["sutures"])
    for place, (least, most) in facts()["sutures"].items():
        assert least <= effective_settings(plan, {"sutures_at": place})["visit_day"] <= most


def test_stitches_of_face_trunk_and_leg_start_from_the_usual_days() -> None:
    # 5, 10 and 14 days: 5-Minute Consult, recommended suture removal times; ranges there 3-5, 8-10, 8-14.
    plan = plan_named("punch-biopsy")
    days = [effective_settings(plan, {"sutures_at": at})["visit_day"] for at in ("face", "chest_or_abdomen", "leg")]
    assert days == [5, 10, 14]


@pytest.mark.parametrize(
    ("site", "procedure"),
    [
        (Site.DIGIT, "total-nail-avulsion"),
        (Site.SKIN, "punch-biopsy"),
        (Site.DENTAL, "tooth-extraction"),
    ],
)
def test_an_anaesthetic_lasts_as_long_as_the_sources_say_for_its_site(site: Site, procedure: str) -> None:
    agents = plan_named(procedure).anaesthetics
    assert {name: [agent.low, agent.high] for name, agent in agents.items()} == facts()["anaesthetics"][site]


@pytest.mark.parametrize("row", facts()["said"], ids=lambda row: f"{row['plan']}-{row['text']}")
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_text_says_the_value_of_the_source(row: dict[str, Any], language: str) -> None:
    for procedure in plans_like(row["plan"]):
        plan = plan_named(procedure)
        factors = [name for name in plan.file.factors if name in {"antibiotics", "smoker"}]
        bodies = [
            each.body
            for each in said(procedure, language=language, factors=factors)
            if each.each.text_name == row["text"]
        ]
        assert bodies
        assert all(row[language] in body for body in bodies), bodies


def test_no_plan_goes_beyond_the_label_of_a_pain_reliever() -> None:
    # 1,200 mg ibuprofen: UK patient leaflet, section 3; 3,000 mg acetaminophen on packages of 500 mg, 4,000 mg as the
    # label's ceiling: US Drug Facts.
    for procedure in PROCEDURES:
        for language in LANGUAGES:
            for each in said(procedure, language=language, channel=Channel.EMAIL):
                amounts = [int(found.replace(",", "")) for found in re.findall(r"([\d,]+) mg", each.rendered.text)]
                assert all(mg in {200, 1200, 3000} for mg in amounts)


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_spanish_is_a_draft_until_somebody_qualified_has_read_it(procedure: str) -> None:
    assert wording_of(procedure).translation_status("es") == "draft"
    assert wording_of(procedure).translation_status("en") == "original"
    assert load_plan(PLANS / procedure).file.languages == ("en", "es")
