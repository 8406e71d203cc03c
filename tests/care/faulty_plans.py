"""A sound plan file, and what one change to it makes of it: the faults, each with its line."""

from __future__ import annotations

import pytest

PLAN = """\
title = "An invented procedure"
version = 1
languages = ["en"]
cautions = ["Invented."]
desk_message = "desk"
factors = ["diabetes"]

[settings.block_hours]
default = 8
lowest = 1
highest = 25
unit = "hours"
says = "How long the block lasts"
source = "invented"

[settings.anaesthetic]
default = ""
choices = "anaesthetics"
says = "The agent"
source = "invented"

[settings.stop_day]
default = 5
lowest = 3
highest = 14
unit = "day"
says = "The last day"
source = "invented"
after_anchor = "block_wears_off"

[anchors.block_wears_off]
after = "block_placed"
hours = "block_hours"
or_sooner_by = "anaesthetic"
says = "the block may wear off"

[[instruction]]
key = "desk"
about = "At the desk."
when = [{ after = "procedure_end" }]
quiet = "later"
useful_hours = 24
required = true
importance = 1
in_doubt = "resend"
source = "invented"

[[instruction]]
key = "pain"
about = "Before the block wears off."
when = [
  { before = "block_wears_off", minutes = 45 },
  { on_day = [1, 2], at = "evening" },
  { each_day = ["morning", "evening"], after = "block_wears_off", until_day = "stop_day" },
]
quiet = "earlier"
useful_until = "block_wears_off"
required = true
importance = 2
in_doubt = "hold"
texts = [{ use = "pain_other", if_any = ["diabetes"] }]
source = "invented"

[[warning_sign]]
sign = "Bleeding"
urgency = "emergency"
from_day = 0
source = "invented"
"""
# Lines that the cases below refer to, counted in the text above.
LINE = {text.strip(): number for number, text in reversed(list(enumerate(PLAN.splitlines(), start=1)))}
SECOND_INSTRUCTION = next(n for n, text in enumerate(PLAN.splitlines(), start=1) if text == 'key = "pain"') - 1


# Each row: the text replaced, its replacement, the line the fault is reported at, and words of its message.
ONE_FAULT = [
    pytest.param(
        "version = 1", "version = 1\nmatron = true", "version = 1", 1, "matron: this key is not known", id="unknown key"
    ),
    pytest.param(
        "texts = [",
        "textes = [",
        'texts = [{ use = "pain_other", if_any = ["diabetes"] }]',
        0,
        "instruction.pain.textes: this key is not known",
        id="misspelt key",
    ),
    pytest.param(
        "version = 1",
        'version = "1"',
        "version = 1",
        0,
        "version: Input should be a valid integer",
        id="number as text",
    ),
    pytest.param(
        "required = true\nimportance = 2",
        "required = true\nimportance = 10",
        "importance = 2",
        0,
        "less than or equal to 9",
        id="importance too high",
    ),
    pytest.param(
        "importance = 2", "importance = 2.5", "importance = 2", 0, "instruction.pain.importance", id="fraction"
    ),
    pytest.param(
        'quiet = "earlier"',
        'quiet = "sooner"',
        'quiet = "earlier"',
        0,
        "'earlier', 'later', 'withhold' or 'send'",
        id="unknown move",
    ),
    pytest.param(
        'in_doubt = "hold"', 'in_doubt = "guess"', 'in_doubt = "hold"', 0, "'resend' or 'hold'", id="unknown doubt"
    ),
    pytest.param(
        'at = "evening"',
        'at = "teatime"',
        "when = [",
        0,
        "'morning', 'midday', 'evening' or 'bedtime'",
        id="unknown slot",
    ),
    pytest.param(
        'before = "block_wears_off"',
        'before = "block_gone"',
        "when = [",
        0,
        "there is no anchor 'block_gone'; known are procedure_end",
        id="unknown anchor",
    ),
    pytest.param(
        'after = "block_wears_off", until',
        'after = "never", until',
        "when = [",
        0,
        "there is no anchor 'never'",
        id="unknown anchor of a daily one",
    ),
    pytest.param(
        'useful_until = "block_wears_off"',
        'useful_until = "later"',
        'useful_until = "block_wears_off"',
        0,
        "there is no anchor 'later'",
        id="unknown end",
    ),
    pytest.param(
        'useful_until = "block_wears_off"',
        'useful_until = "block_wears_off"\nuseful_hours = 2',
        "[[instruction]]#2",
        0,
        "either `useful_hours` or `useful_until`",
        id="two ends",
    ),
    pytest.param(
        'useful_until = "block_wears_off"\n',
        "",
        "[[instruction]]#2",
        0,
        "either `useful_hours` or `useful_until`",
        id="no end",
    ),
    pytest.param(
        "minutes = 45",
        "minutes = -45",
        "when = [",
        0,
        "a whole number from 0 on, or the name of a setting, not -45",
        id="negative minutes",
    ),
    pytest.param(
        "minutes = 45",
        'minutes = "lead"',
        "when = [",
        0,
        "'lead' is not a setting that holds a number",
        id="unknown setting",
    ),
    pytest.param("minutes = 45", "minutes = 4.5", "when = [", 0, "a whole number from 0 on", id="fraction of a minute"),
    pytest.param(
        "on_day = [1, 2]", "on_day = [1, true]", "when = [", 0, "a whole number from 0 on", id="a truth value as a day"
    ),
    pytest.param(
        "minutes = 45",
        'minutes = "anaesthetic"',
        "when = [",
        0,
        "'anaesthetic' is not a setting that holds a number",
        id="setting of words",
    ),
    pytest.param(
        "{ on_day = [1, 2], at",
        "{ on_days = [1, 2], at",
        "when = [",
        0,
        "a timing holds one of each_day, on_day",
        id="unknown kind of timing",
    ),
    pytest.param(
        '{ on_day = [1, 2], at = "evening" }',
        '"day 1"',
        "when = [",
        0,
        "a timing holds one of each_day, on_day",
        id="timing as text",
    ),
    pytest.param('each_day = ["morning", "evening"]', "each_day = []", "when = [", 0, "at least 1 item", id="no slot"),
    pytest.param(
        'after = "block_wears_off", until',
        "until",
        "when = [",
        0,
        "either `after` (an anchor) or `from_day`",
        id="daily without start",
    ),
    pytest.param(
        'after = "block_wears_off", until_day = "stop_day"',
        "from_day = 3, until_day = 3",
        "when = [",
        0,
        "no day lies from day 3 until day 3",
        id="impossible range of days",
    ),
    pytest.param(
        "{ on_day = [1, 2],",
        "{ before_visit_days = 2,",
        "when = [",
        0,
        "the plan needs a setting `visit_day`",
        id="visit without visit_day",
    ),
    pytest.param(
        "default = 8",
        "default = 30",
        "[settings.block_hours]",
        0,
        "settings.block_hours: default 30 lies outside 1 to 25",
        id="default outside the range",
    ),
    pytest.param(
        "lowest = 3\nhighest = 14",
        "lowest = 14\nhighest = 3",
        "[settings.stop_day]",
        0,
        "lies outside 14 to 3",
        id="impossible range",
    ),
    pytest.param(
        "default = 8",
        "default = 8.0",
        "default = 8",
        0,
        "settings.block_hours.default: Input should be a valid integer",
        id="default a fraction",
    ),
    pytest.param(
        'unit = "hours"', 'unit = "fortnights"', 'unit = "hours"', 0, "settings.block_hours.unit", id="unknown unit"
    ),
    pytest.param(
        'choices = "anaesthetics"',
        'choices = "anaesthetics"\nwhat = 1',
        'choices = "anaesthetics"',
        1,
        "settings.anaesthetic.what: this key is not known",
        id="unknown key in a setting",
    ),
    pytest.param(
        'choices = "anaesthetics"',
        'choices = ["a"]',
        'or_sooner_by = "anaesthetic"',
        0,
        "is not a setting with anaesthetics",
        id="not a setting of anaesthetics",
    ),
    pytest.param(
        'after_anchor = "block_wears_off"',
        'after_anchor = "visits"',
        'after_anchor = "block_wears_off"',
        0,
        "there is no anchor 'visits'",
        id="day after nothing",
    ),
    pytest.param(
        'hours = "block_hours"',
        "hours = 120",
        'after_anchor = "block_wears_off"',
        0,
        "the default day 5 is over when block_wears_off comes",
        id="default day impossible",
    ),
    pytest.param(
        'after = "block_placed"',
        'after = "block_wears_off"',
        'after = "block_placed"',
        0,
        "is not an anchor that stands above this one",
        id="circular anchor",
    ),
    pytest.param(
        "[anchors.block_wears_off]",
        '[anchors.visit]\nafter = "block_placed"\nhours = 1\nsays = "x"\n\n[anchors.block_wears_off]',
        "[anchors.block_wears_off]",
        0,
        "visit is an anchor already",
        id="anchor named like a known one",
    ),
    pytest.param(
        "[anchors.block_wears_off]",
        '[anchors.stop_day]\nafter = "block_placed"\nhours = 1\nsays = "x"\n\n[anchors.block_wears_off]',
        "[anchors.block_wears_off]",
        0,
        "stop_day is a setting too",
        id="anchor named like a setting",
    ),
    pytest.param(
        'factors = ["diabetes"]',
        'factors = ["diabetes", "gout"]',
        'factors = ["diabetes"]',
        0,
        "no factor 'gout' in shared/factors.toml",
        id="unknown factor",
    ),
    pytest.param(
        'if_any = ["diabetes"]',
        'if_any = ["gout"]',
        "[[instruction]]#2",
        0,
        "pain: the condition 'gout' is not among this plan's factors",
        id="condition unknown",
    ),
    pytest.param(
        'if_any = ["diabetes"]',
        "if_any = []",
        'texts = [{ use = "pain_other", if_any = ["diabetes"] }]',
        0,
        "a text needs `if_any` or `if_all`",
        id="text without condition",
    ),
    pytest.param(
        'key = "pain"', 'key = "desk"', 'key = "pain"', 0, "the key 'desk' is used twice", id="key used twice"
    ),
    pytest.param(
        'key = "pain"', 'key = "Pain relief"', 'key = "pain"', 0, "should match pattern", id="key with a space"
    ),
    pytest.param(
        'desk_message = "desk"',
        'desk_message = "door"',
        'desk_message = "desk"',
        0,
        "there is no instruction 'door'",
        id="no desk message",
    ),
    pytest.param(
        'in_doubt = "hold"',
        'in_doubt = "hold"\ncontradicts = ["rub"]',
        'in_doubt = "hold"',
        1,
        "pain: there is no instruction 'rub'",
        id="contradicts nothing",
    ),
    pytest.param(
        'quiet = "earlier"',
        'quiet = "withhold"',
        'quiet = "earlier"',
        0,
        "pain is required, so quiet hours may not drop it",
        id="required and dropped",
    ),
    pytest.param(
        'urgency = "emergency"',
        'urgency = "soon"',
        'urgency = "emergency"',
        0,
        "warning_sign.1.urgency",
        id="unknown urgency",
    ),
    pytest.param('languages = ["en"]', "languages = []", 'languages = ["en"]', 0, "at least 1 item", id="no language"),
    pytest.param('title = "An invented procedure"\n', "", None, 0, "title: Field required", id="no title"),
]


def line_of(anchor: str | None) -> int:
    """The line, counted from 1, that a row of the table names."""
    if anchor is None:
        return 0
    return SECOND_INSTRUCTION if anchor == "[[instruction]]#2" else LINE[anchor]
