"""What calls send: each member with its meaning, unit and an example; members that there are not are refused."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, StrictInt

from reminders.desk.concerns import OUTCOMES
from reminders.desk.consent import LONGEST_WORDING
from reminders.desk.contact_details import LONGEST_ADDRESS, LONGEST_NAME
from reminders.desk.course_facts import LONGEST_SITE
from reminders.desk.take_reply import LONGEST_REPLY
from reminders.records.storable import storable
from reminders.web.api.fields import Flag, Given, Line, Moment, Words

Name = Annotated[Line, Field(max_length=LONGEST_NAME)]
Address = Annotated[Line, Field(max_length=LONGEST_ADDRESS)]
WallTime = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Factor = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,59}$")]
SettingName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,59}$")]
Wording = Annotated[Line, Field(min_length=1, max_length=LONGEST_WORDING)]
_WORDING = "What was read out, if not the practice's usual words; for e-mail, also that it is not encrypted."
_ZONE = "IANA name of the patient's time zone; the practice's when left out."
_FACTORS = "Patient factors by name. [] says that somebody asked and there are none; leave it out when nobody asked."


class CourseFacts(Given):
    """The facts of a new course, as a course is told them."""

    procedure_end: Moment = Field(description="When the procedure ended; day 0 is its date in `zone`.")
    zone: Line | None = Field(None, description=_ZONE, examples=["America/Chicago"])
    language: Annotated[Line, Field(max_length=35)] | None = Field(
        None, description="The language that the patient reads; the practice's when left out.", examples=["es"]
    )
    factors: list[Factor] | None = Field(None, max_length=40, description=_FACTORS, examples=[["diabetes"]])
    settings: dict[SettingName, StrictInt | Line] = Field(
        default_factory=dict,
        description="Settings of the plan, each in the unit that the plan says (days, hours), or a choice.",
        examples=[{"stop_day": 7}],
    )
    block_placed: Moment | None = Field(None, description="When it was numbed; `procedure_end` when left out.")
    dressing_applied: Moment | None = Field(None, description="When the dressing was put on; as above.")
    visit: Moment | None = Field(None, description="When the return visit is booked.")
    slots: dict[Literal["morning", "midday", "evening", "bedtime"], WallTime] = Field(
        default_factory=dict,
        description="The patient's own times of day, by the clock of `zone`.",
        examples=[{"evening": "18:30"}],
    )
    channel: Literal["sms", "email"] = Field("sms", description="How the patient is written to.")
    night_contact_agreed: Flag = Field(default=False, description="The patient agreed to messages within quiet hours.")
    site: Annotated[Line, Field(max_length=LONGEST_SITE)] | None = Field(
        None, description="How texts name the site when the patient has two courses.", examples=["left big toe"]
    )


class EnrollmentGiven(Given):
    """A patient to be enrolled for a procedure."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "procedure": "partial-nail-avulsion-chemical",
                    "first_name": "Robin",
                    "last_name": "Example",
                    "phone": "+13125550123",
                    "facts": {"procedure_end": "2026-03-07T15:30:00-06:00", "factors": []},
                    "consent": True,
                }
            ]
        }
    )

    procedure: str = Field(
        pattern=r"^[a-z0-9][a-z0-9-]{0,79}$", description="The plan, as `reminders procedures` lists"
    )
    first_name: Annotated[Name, Field(min_length=1)] = Field(description="The name to greet.", examples=["Robin"])
    last_name: Name = Field("", description="Tells apart patients who share a number.", examples=["Example"])
    phone: Annotated[Line, Field(max_length=40)] = Field(
        "", description="The mobile number; needed for channel sms.", examples=["+13125550123"]
    )
    email: Address = Field("", description="Needed for channel email.", examples=["robin@example.org"])
    facts: CourseFacts
    consent: Flag = Field(description="The patient agreed to be written to at these addresses; nothing goes without.")
    consent_wording: Wording | None = Field(None, description=_WORDING)
    again: Flag = Field(default=False, description="A second course for the same procedure and day is meant.")


def _unsent() -> Any:
    """Stand for a member that was not sent; a default would be described as one that may be."""
    return None


class FactsPatch(Given):
    """Facts that change; what is left out stays, null takes back what need not be there (RFC 7396)."""

    procedure_end: Moment = Field(default_factory=_unsent, description="When the procedure ended.")
    zone: Line = Field(default_factory=_unsent, description="IANA name of the patient's time zone.")
    language: Annotated[Line, Field(max_length=35)] = Field(
        default_factory=_unsent, description="The language the patient reads."
    )
    factors: list[Factor] = Field(
        default_factory=_unsent,
        max_length=40,
        description="All there are, in place of those before; [] for none.",
    )
    settings: dict[SettingName, StrictInt | Line] = Field(
        default_factory=_unsent, description="Only those that change."
    )
    block_placed: Moment | None = Field(default_factory=_unsent)
    dressing_applied: Moment | None = Field(default_factory=_unsent)
    visit: Moment | None = Field(default_factory=_unsent, examples=["2026-03-21T10:00:00-05:00"])
    slots: dict[Literal["morning", "midday", "evening", "bedtime"], WallTime] = Field(
        default_factory=_unsent, description="Only those that change."
    )
    channel: Literal["sms", "email"] = Field(default_factory=_unsent, description="How the patient is written to.")
    night_contact_agreed: Flag = Field(
        default_factory=_unsent, description="The patient agreed to messages within quiet hours."
    )
    site: Annotated[Line, Field(max_length=LONGEST_SITE)] | None = Field(default_factory=_unsent)


class EnrollmentPatch(Given):
    """What changes of a course."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"facts": {"visit": "2026-03-21T10:00:00-05:00"}}]})

    facts: FactsPatch


class Reason(Given):
    """Why a course is cancelled."""

    reason: Annotated[Line, Field(min_length=1)] = Field(
        description="It stays with the messages that are not sent.", examples=["moved to another practice"]
    )


def _as_far_as_it_is_text(text: Any) -> Any:
    """Take a patient's words whatever they hold: what is refused may reach nobody."""
    return storable(text) if isinstance(text, str) else text


class ReplyGiven(Given):
    """What somebody wrote to the practice."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"from": "+13125550123", "text": "it is red and hot up to my ankle", "ref": "in-77"}]
        }
    )

    sender: Annotated[Address, Field(min_length=1)] = Field(
        alias="from", description="The number (E.164 is best) or the e-mail address that wrote."
    )
    text: Annotated[str, BeforeValidator(_as_far_as_it_is_text), Field(min_length=1)] = Field(
        description=f"The words, unchanged; the first {LONGEST_REPLY:,} characters are kept."
    )
    ref: Annotated[Line, Field(min_length=1)] | None = Field(
        None, description="Your own name for it: the same on one channel twice is one reply."
    )


class NoteGiven(Given):
    """Words for the history of a concern."""

    note: Annotated[Words, Field(min_length=1)] = Field(examples=["No answer, tries again at 14:00"])


class GiveBack(Given):
    """Why a concern goes back to everybody."""

    note: Words = Field("", examples=["called away"])


class HandOver(Given):
    """Who has a concern from now on."""

    to: Name = Field(description="Somebody of the staff who works on concerns.", examples=["Nora Nurse"])


class CallGiven(Given):
    """How a call-back went."""

    outcome: Literal[OUTCOMES]  # type: ignore[valid-type]  # the desk's own list
    note: Words = Field("", description="What else is to be known.", examples=["Comes in at 16:00"])


class ConsentGiven(Given):
    """A patient agreed to be written to."""

    address: Annotated[Address, Field(min_length=1)] = Field(
        description="The number or e-mail address.", examples=["+13125550123"]
    )
    wording: Wording | None = Field(None, description=_WORDING)


class ConsentWithdrawn(Given):
    """A patient wants no more messages on a channel."""

    channel: Literal["sms", "email"]
    wording: Wording = Field(description="What the patient said.", examples=["said so on the phone"])
