"""The rules of a plan as sentences that a clinician reads before approving them."""

from __future__ import annotations

from collections.abc import Sequence

from reminders.care.plan import ChoiceSetting, Instruction, NumberSetting, Plan
from reminders.care.timings import AfterAnchor, AfterVisit, Amount, BeforeAnchor, BeforeVisit, EachDay, OnDay, When
from reminders.care.values import InDoubt, QuietMove
from reminders.words import gettext, marked

_ANCHORS = {
    "procedure_end": marked("the procedure ended"),
    "block_placed": marked("the block was placed"),
    "dressing_applied": marked("the dressing was put on"),
    "visit": marked("the visit"),
}
_SLOTS = (marked("morning"), marked("midday"), marked("evening"), marked("bedtime"))
_DAYS_BEFORE_VISIT = marked("{days} days before the visit, {slot}")
_QUIET = {
    QuietMove.EARLIER: marked("in quiet hours it goes out before they begin"),
    QuietMove.LATER: marked("in quiet hours it waits for their end"),
    QuietMove.WITHHOLD: marked("in quiet hours it is dropped"),
    QuietMove.SEND: marked("in quiet hours it goes out only if the patient agreed to be contacted at night"),
}
_IN_DOUBT = {
    InDoubt.RESEND: marked("if nobody knows whether it went out, it is sent again"),
    InDoubt.HOLD: marked("if nobody knows whether it went out, it is not sent again and staff are told"),
}


def timing_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return when an instruction is said: `24 hours (first_dressing_hours) after the dressing was put on`."""
    return gettext("; and ").join(_when(each, plan) for each in instruction.when)


def handling_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return what may happen to it: quiet hours, how long it helps, whether it must arrive, and doubt."""
    if instruction.useful_hours is not None:
        useful = gettext("useful for {number} hours", number=instruction.useful_hours)
    else:
        useful = gettext("useful until {anchor}", anchor=_anchor(instruction.useful_until or "", plan))
    optional = marked("optional: it gives way when a day has too many")
    required = gettext("required") if instruction.required else gettext(optional)
    return "; ".join((gettext(_QUIET[instruction.quiet]), useful, required, gettext(_IN_DOUBT[instruction.in_doubt])))


def conditions_in_words(instruction: Instruction, plan: Plan) -> str:
    """Return for whom an instruction is: `for everyone`, or the patients who get it or do not."""
    parts = []
    if instruction.only_if_any:
        parts.append(
            gettext("only for a patient with any of: {factors}", factors=_factors(instruction.only_if_any, plan))
        )
    if instruction.not_if_any:
        parts.append(
            gettext("not for a patient with any of: {factors}", factors=_factors(instruction.not_if_any, plan))
        )
    return "; ".join(parts) or gettext("for everyone")


def setting_in_words(name: str, plan: Plan) -> str:
    """Return a setting with its default, its range and its source."""
    setting = plan.file.settings[name]
    if isinstance(setting, NumberSetting):
        allowed = gettext(
            "{default} {unit}, allowed {lowest} to {highest}",
            default=setting.default,
            unit=setting.unit,
            lowest=setting.lowest,
            highest=setting.highest,
        )
    else:
        allowed = gettext(
            "{default}, may be {choices}",
            default=setting.default or gettext("not recorded"),
            choices=_choices(setting, plan),
        )
    return gettext("{says}: {allowed}. Source: {source}", says=setting.says, allowed=allowed, source=setting.source)


def _choices(setting: ChoiceSetting, plan: Plan) -> str:
    return ", ".join(plan.anaesthetics if isinstance(setting.choices, str) else setting.choices)


def _when(when: When, plan: Plan) -> str:
    match when:
        case EachDay():
            return _each_day(when, plan)
        case OnDay():
            numbers = when.on_day if isinstance(when.on_day, tuple) else (when.on_day,)
            days = gettext(" and day ").join(_amount(day, plan) for day in numbers)
            return gettext("on day {days}, {slot}", days=days, slot=gettext(when.at))
        case BeforeVisit():
            before = _amount(when.before_visit_days, plan)
            said = marked("on the day of the visit, {slot}") if before == "0" else _DAYS_BEFORE_VISIT
            return gettext(said, days=before, slot=gettext(when.at))
        case AfterVisit():
            after = _amount(when.after_visit_days, plan)
            return gettext("{days} days after the visit, {slot}", days=after, slot=gettext(when.at))
        case BeforeAnchor():
            anchor = _anchor(when.before, plan)
            return gettext("{length} before {anchor}", length=_length(when, plan), anchor=anchor)
        case AfterAnchor():
            length, anchor = _length(when, plan), _anchor(when.after, plan)
            said = marked("{length} after {anchor}") if length else marked("when {anchor}")
            return gettext(said, length=length, anchor=anchor)


def _each_day(when: EachDay, plan: Plan) -> str:
    slots = gettext(" and ").join(map(gettext, when.each_day))
    if when.times is not None:
        slots = gettext("the last {number} of {slots}", number=_amount(when.times, plan), slots=slots)
    start = gettext("from day {day}", day=_amount(when.from_day or 0, plan))
    if when.after:
        start = gettext("after {anchor}", anchor=_anchor(when.after, plan))
    return gettext(
        "every day, {slots}, {start}, until day {end}, which is not included",
        slots=slots,
        start=start,
        end=_amount(when.until_day, plan),
    )


def _length(when: AfterAnchor | BeforeAnchor, plan: Plan) -> str:
    parts = ((when.hours, marked("{number} hours")), (when.minutes, marked("{number} minutes")))
    return gettext(" and ").join(gettext(said, number=_amount(amount, plan)) for amount, said in parts if amount != 0)


def _amount(amount: Amount, plan: Plan) -> str:
    if isinstance(amount, int):
        return str(amount)
    setting = plan.file.settings[amount]
    return gettext("{default} ({setting} may change it)", default=setting.default, setting=amount)


def _anchor(name: str, plan: Plan) -> str:
    derived = plan.file.anchors.get(name)
    if derived is None:
        return gettext(_ANCHORS[name]) if name in _ANCHORS else name
    plainly = marked("{says} ({hours} hours after {anchor})")
    or_sooner = marked("{says} ({hours} hours after {anchor}, or sooner by the anaesthetic recorded)")
    return gettext(
        or_sooner if derived.or_sooner_by else plainly,
        says=derived.says,
        hours=_amount(derived.hours, plan),
        anchor=_anchor(derived.after, plan),
    )


def _factors(names: Sequence[str], plan: Plan) -> str:
    return ", ".join(_factor(name, plan) for name in names)


def _factor(name: str, plan: Plan) -> str:
    known = plan.factors.get(name)
    return f"“{known.says}”" if known else name.replace("_", " ")
