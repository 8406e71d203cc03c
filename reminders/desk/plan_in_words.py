"""The rules of a plan as sentences that a clinician reads before approving them."""

from __future__ import annotations

from collections.abc import Sequence

from reminders.care.plan import (
    AfterAnchor,
    AfterVisit,
    Amount,
    BeforeAnchor,
    BeforeVisit,
    ChoiceSetting,
    EachDay,
    Instruction,
    NumberSetting,
    OnDay,
    Plan,
    When,
)
from reminders.care.values import InDoubt, QuietMove

_ANCHORS = {
    "procedure_end": "the procedure ended",
    "block_placed": "the block was placed",
    "dressing_applied": "the dressing was put on",
    "visit": "the visit",
}
_QUIET = {
    QuietMove.EARLIER: "in quiet hours it goes out before they begin",
    QuietMove.LATER: "in quiet hours it waits for their end",
    QuietMove.WITHHOLD: "in quiet hours it is dropped",
    QuietMove.SEND: "in quiet hours it goes out only if the patient agreed to be contacted at night",
}
_IN_DOUBT = {
    InDoubt.RESEND: "if nobody knows whether it went out, it is sent again",
    InDoubt.HOLD: "if nobody knows whether it went out, it is not sent again and staff are told",
}


def timing_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return when an instruction is said: `24 hours (first_dressing_hours) after the dressing was put on`."""
    return "; and ".join(_when(each, plan) for each in instruction.when)


def handling_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return what may happen to it: quiet hours, how long it helps, whether it must arrive, and doubt."""
    if instruction.useful_hours is not None:
        useful = f"useful for {instruction.useful_hours} hours"
    else:
        useful = f"useful until {_anchor(instruction.useful_until or '', plan)}"
    required = "required" if instruction.required else "optional: it gives way when a day has too many"
    return "; ".join((_QUIET[instruction.quiet], useful, required, _IN_DOUBT[instruction.in_doubt]))


def conditions_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return for whom an instruction is: `for everyone`, or the patients who get it or do not."""
    parts = []
    if instruction.only_if_any:
        parts.append(f"only for a patient with any of: {_factors(instruction.only_if_any, plan)}")
    if instruction.not_if_any:
        parts.append(f"not for a patient with any of: {_factors(instruction.not_if_any, plan)}")
    return "; ".join(parts) or "for everyone"


def setting_in_words(name: str, plan: Plan) -> str:
    """Return a setting with its default, its range and its source."""
    setting = plan.file.settings[name]
    if isinstance(setting, NumberSetting):
        allowed = f"{setting.default} {setting.unit}, allowed {setting.lowest} to {setting.highest}"
    else:
        allowed = f"{setting.default or 'not recorded'}, may be {_choices(setting, plan)}"
    return f"{setting.says}: {allowed}. Source: {setting.source}"


def _choices(setting: ChoiceSetting, plan: Plan) -> str:
    return ", ".join(plan.anaesthetics if isinstance(setting.choices, str) else setting.choices)


def _when(when: When, plan: Plan) -> str:
    match when:
        case EachDay():
            slots = " and ".join(when.each_day)
            if when.times is not None:
                slots = f"the last {_amount(when.times, plan)} of {slots}"
            start = (
                f"after {_anchor(when.after, plan)}" if when.after else f"from day {_amount(when.from_day or 0, plan)}"
            )
            return f"every day, {slots}, {start}, until day {_amount(when.until_day, plan)}, which is not included"
        case OnDay():
            days = when.on_day if isinstance(when.on_day, tuple) else (when.on_day,)
            return f"on day {' and day '.join(_amount(day, plan) for day in days)}, {when.at}"
        case BeforeVisit():
            before = _amount(when.before_visit_days, plan)
            return (
                f"on the day of the visit, {when.at}" if before == "0" else f"{before} days before the visit, {when.at}"
            )
        case AfterVisit():
            return f"{_amount(when.after_visit_days, plan)} days after the visit, {when.at}"
        case BeforeAnchor():
            return f"{_length(when, plan)} before {_anchor(when.before, plan)}"
        case AfterAnchor():
            length = _length(when, plan)
            return f"{length} after {_anchor(when.after, plan)}" if length else f"when {_anchor(when.after, plan)}"


def _length(when: AfterAnchor | BeforeAnchor, plan: Plan) -> str:
    parts = ((when.hours, "hours"), (when.minutes, "minutes"))
    return " and ".join(f"{_amount(amount, plan)} {unit}" for amount, unit in parts if amount != 0)


def _amount(amount: Amount, plan: Plan) -> str:
    if isinstance(amount, int):
        return str(amount)
    setting = plan.file.settings[amount]
    return f"{setting.default} ({amount} may change it)"


def _anchor(name: str, plan: Plan) -> str:
    derived = plan.file.anchors.get(name)
    if derived is None:
        return _ANCHORS.get(name, name)
    sooner = ", or sooner by the anaesthetic recorded" if derived.or_sooner_by else ""
    hours = _amount(derived.hours, plan)
    return f"{derived.says} ({hours} hours after {_anchor(derived.after, plan)}{sooner})"


def _factors(names: Sequence[str], plan: Plan) -> str:
    return ", ".join(_factor(name, plan) for name in names)


def _factor(name: str, plan: Plan) -> str:
    known = plan.factors.get(name)
    return f"“{known.says}”" if known else name.replace("_", " ")
