"""Names to the catalogs the words that the database holds: states, outcomes, steps, labels."""

from __future__ import annotations

from reminders.words import marked

_OF_CONCERNS = (
    *(marked("emergency"), marked("urgent"), marked("routine"), marked("reached"), marked("left voicemail")),
    *(marked("sent to clinic"), marked("sent to emergency"), marked("not needed"), marked("opened"), marked("reply")),
    *(marked("raised"), marked("escalated"), marked("taken"), marked("handed over"), marked("given back")),
    *(marked("called"), marked("note"), marked("closed"), marked("reopened"), marked("open")),
    *(marked("handed_over"), marked("given_back")),
)
_OF_ADDRESSES = (
    *(marked("active"), marked("stopped"), marked("released"), marked("unreachable"), marked("unknown")),
    *(marked("given"), marked("withdrawn")),
)
_OF_COURSES = (
    *(marked("ended"), marked("cancelled"), marked("waiting")),
    *(
        marked("added"),
        marked("moved"),
        marked("reworded"),
        marked("readdressed"),
        marked("joined"),
        marked("withheld"),
    ),
)
_OF_MESSAGES = (
    *(marked("scheduled"), marked("sending"), marked("sent"), marked("delivered"), marked("failed")),
    *(marked("uncertain"), marked("at_checkout")),
)
_OF_REPLIES = (marked("none"), marked("stop"), marked("start"), marked("help"), marked("wrong person"))
_OF_SIGNS = (
    *(marked("breathing"), marked("swelling face"), marked("chest pain"), marked("collapse")),
    *(marked("heavy bleeding"), marked("overdose"), marked("self harm"), marked("spreading redness")),
    *(marked("streaks"), marked("pus"), marked("smell"), marked("fever"), marked("chills"), marked("pain high")),
    *(marked("pain worse"), marked("colour change"), marked("cold"), marked("numb late"), marked("leg swelling")),
    *(marked("rash"), marked("wound open"), marked("burn beyond"), marked("vomiting"), marked("glucose high")),
    *(marked("bleeding"), marked("drainage"), marked("itching"), marked("stuck dressing"), marked("supplies")),
    *(marked("reschedule"), marked("medicine question"), marked("question"), marked("callback"), marked("complaint")),
    *(marked("unclear")),
)
_OF_RULES = (
    *(marked("affirms"), marked("has one"), marked("pain score"), marked("unsettled"), marked("yes"), marked("no")),
    *(marked("confirm"), marked("ack"), marked("courtesy"), marked("done"), marked("dressed"), marked("fine")),
    *(marked("keep"), marked("leave"), marked("praise"), marked("thanks"), marked("told"), marked("weak")),
    *(marked("no more"), marked("glucose"), marked("grams"), marked("tablets"), marked("temperature")),
    *(marked("word"), marked("medicine if asked"), marked("pus or serum"), marked("likeness"), marked("plan")),
    *(marked("attachment"), marked("opening"), marked("ask")),
)
_OF_ROWS = (marked("enrollment"), marked("message"))
_OF_UNITS = (
    *(marked("celsius"), marked("fahrenheit"), marked("day"), marked("days"), marked("hours"), marked("minutes")),
    *(marked("weeks"), marked("months"), marked("years"), marked("times"), marked("samples"), marked("mg")),
)
_OF_KEYS = (
    *(marked("expired"), marked("revoked"), marked("current"), marked("older"), marked("unused")),
    *(marked("missing"), marked("not sealed")),
)
_OF_STAFF = (marked("front desk"), marked("nurse"), marked("clinician"), marked("administrator"), marked("invited"))
_OF_SLOTS = (marked("morning"), marked("midday"), marked("evening"), marked("bedtime"))
_OF_THE_TRAIL = (
    *(marked("staff"), marked("key"), marked("patient"), marked("program"), marked("cli"), marked("refused")),
)
_OF_TRANSLATIONS = (marked("original"), marked("reviewed"), marked("draft"))
