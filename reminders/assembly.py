"""The one place that builds the parts of the program from the configuration; commands, pages and tests call it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from reminders import words
from reminders.clock import Clock, SystemClock
from reminders.config import Config, PracticeSection, find_config, load_config
from reminders.desk.composing import Desk, House
from reminders.desk.plans import PlanLibrary
from reminders.errors import ConfigError
from reminders.practice_rules import AsNow, PracticeRules
from reminders.sentences import english
from reminders.transport_parts import TransportParts, letterheads_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import datetime

    from sqlalchemy.orm import Session

    from reminders.delivery.dispatcher import Dispatcher
    from reminders.delivery.gate import Gate
    from reminders.delivery.hook_calls import HookCalls
    from reminders.delivery.incoming import IncomingReply
    from reminders.delivery.intake import Intake
    from reminders.delivery.mail_intake import MailIntake
    from reminders.delivery.report import DispatchReport
    from reminders.delivery.runner import RecurringJob, Runner
    from reminders.delivery.tell_staff import TellStaff
    from reminders.delivery.transports import Transport
    from reminders.delivery.transports.letter import Letterhead
    from reminders.delivery.watch import Watch
    from reminders.desk.patient_page import PageRules
    from reminders.desk.retention import RetentionRules
    from reminders.desk.take_reply import Incoming as IncomingToDesk
    from reminders.records.database import Database
    from reminders.records.key_sources import KeySource
    from reminders.records.keyring import Keyring


@dataclass(frozen=True)
class App:
    """The program's parts, each built at its first use."""

    written: Config
    """The settings as they stand in the file."""
    clock: Clock = field(default_factory=SystemClock)
    library_of: Callable[[Path], PlanLibrary] = PlanLibrary
    """Gives the procedures of a folder; a test may keep them from one program to the next."""

    def __post_init__(self) -> None:
        """Speak to staff in the language that the practice chose; else the environment's stays."""
        if chosen := self.written.practice.staff_language:
            words.speak(chosen)

    @cached_property
    def library(self) -> PlanLibrary:
        """The procedures there are."""
        return self.library_of(self.config.templates_folder)

    @cached_property
    def database(self) -> Database:
        """The practice's database, open; raises ConfigError when it is missing or has another schema."""
        from reminders.records.database import open_database  # noqa: PLC0415  half a second that a preview need not pay

        return open_database(self.config.database_url, self.keyring)

    @property
    def key_source(self) -> KeySource:
        """Where the keys are that seal what the database holds."""
        from reminders.records.key_sources import KeyCommand, KeyFile, KeyVariable  # noqa: PLC0415  as above

        sealing = self.config.sealing
        if sealing.key_command:
            return KeyCommand(sealing.key_command)
        if sealing.key_variable:
            return KeyVariable(sealing.key_variable)
        return KeyFile(self.config.folder / sealing.key_file)

    @cached_property
    def keyring(self) -> Keyring:
        """The keys that seal what the database holds; raises ConfigError when there is none, or others may read it."""
        from reminders.records.key_sources import open_keyring  # noqa: PLC0415  as above

        return open_keyring(self.key_source)

    @property
    def rules(self) -> PracticeRules:
        """What follows from the settings as they are now; `keep_up` takes up their changes."""
        found: PracticeRules | None = vars(self).get("_rules")
        return found or self._renew(self.written, version=0)

    @property
    def config(self) -> Config:
        """The settings as they are now: the file's, with what was changed on the pages laid over them."""
        return self.rules.config

    @property
    def desk(self) -> Desk:
        """Where staff act, by the settings as they are now."""
        return self.rules.desk

    @property
    def house(self) -> House:
        """What the practice puts into every course, by the settings as they are now."""
        return self.rules.house

    def keep_up(self) -> None:
        """Take up what was changed on the pages, in whichever process; costs one short query when nothing was.

        Raises ConfigError when what was changed does not fit the file any more; the settings stay as they were then.
        """
        from reminders.desk.settings import changed_config  # noqa: PLC0415  a preview asks for no database
        from reminders.records.practice_settings import newest_version  # noqa: PLC0415

        with self.database.reading() as session:
            version = newest_version(session, self.written.practice.id)
            if version != self.rules.version:
                self._renew(changed_config(session, self.written), version=version)

    def _renew(self, config: Config, *, version: int) -> PracticeRules:
        made = PracticeRules(config=config, version=version, clock=self.clock, library=lambda: self.library)
        vars(self)["_rules"] = made
        return made

    def require_practice(self) -> None:
        """Take up what was changed on the pages; ConfigError when the practice is none of those in the database."""
        from reminders.records.practices import practice_ids  # noqa: PLC0415  as above

        with self.database.reading() as session:
            known = practice_ids(session)
        if self.config.practice.id not in known:
            raise ConfigError(
                english(
                    "practice.id: there is no practice {name!r} in the database, only {known}; "
                    "run `reminders init` to add it"
                ).format(name=self.config.practice.id, known=", ".join(known) or "-")
            )
        self.keep_up()

    @cached_property
    def gate(self) -> Gate:
        """What decides at the moment of sending."""
        from reminders.delivery.gate import Gate  # noqa: PLC0415  a preview sends nothing

        return Gate(
            quiet_hours=AsNow(lambda: {self.config.practice.id: self.house.rules.quiet}),
            approval_needed=not self.config.demo,
        )

    @cached_property
    def watch(self) -> Watch:
        """What watches over the dispatching of this process."""
        from reminders.delivery.watch import Watch  # noqa: PLC0415  a preview sends nothing

        return Watch(self.database, self.clock, self.config.practice.id)

    def transport_names(self) -> dict[str, str]:
        """Return the name of each channel's transport."""
        return {"sms": self.config.delivery.sms, "email": self.config.delivery.email}

    def transports(self) -> Mapping[str, Transport]:
        """Open the transport of each channel; one that serves several channels is opened once.

        Raises ConfigError when one can't be opened. Whoever opens them closes them; a dispatcher closes its own.
        """
        names = self.transport_names()
        parts = TransportParts(
            config=self.config, clock=self.clock, letterheads=self.letterheads, intake=lambda: self.intake
        )
        opened = {name: parts.open(name) for name in dict.fromkeys(names.values())}
        return {channel: opened[name] for channel, name in names.items()}

    def dispatcher(self) -> Dispatcher:
        """Return a new worker that dispatches what is due; close it when done."""
        return self._dispatcher(self.transports())

    def dispatchers(self) -> tuple[Dispatcher, ...]:
        """Return a worker for each transport, so that one that hangs keeps no other waiting; close them when done."""
        by_channel = self.transports()
        return tuple(
            self._dispatcher({channel: each for channel, each in by_channel.items() if each is transport})
            for transport in dict.fromkeys(by_channel.values())
        )

    def _dispatcher(self, transports: Mapping[str, Transport]) -> Dispatcher:
        from reminders.delivery.admission import Admission  # noqa: PLC0415  a preview sends nothing
        from reminders.delivery.dispatcher import Dispatcher, DispatchRules  # noqa: PLC0415

        rules = DispatchRules(
            gate=self.gate,
            concern_due=self._concern_due,
            lease=timedelta(seconds=self.config.delivery.lease_seconds),
            other_way=self._other_way,
            admission=Admission(limits=self.config.delivery.pace.limits()),
            observe=partial(self.watch.observe, loop=_loop_of(transports)),
        )
        return Dispatcher(self.database, self.clock, transports, rules)

    def runner(self, *dispatchers: Dispatcher, tell: Callable[[DispatchReport], None] | None = None) -> Runner:
        """Return what runs the recurring jobs until it is stopped; `tell` is given each report of the dispatchers."""
        from reminders.delivery.runner import RecurringJob, Runner, dispatch_job  # noqa: PLC0415  a preview sends nothing
        from reminders.delivery.supervisor import ALIVE, tell_supervisor  # noqa: PLC0415
        from reminders.desk.stall import attend_to_stall  # noqa: PLC0415

        def keep_up() -> None:
            self.keep_up()

        def catch_up() -> None:
            self.intake.catch_up()

        def look_after_it() -> None:
            tell_supervisor(ALIVE if self.watch.alive().status == 200 else "STATUS=dispatching stands still")
            attend_to_stall(self.database, self.desk)

        every = timedelta(seconds=self.config.delivery.poll_seconds)
        return Runner(
            (
                *(
                    self.watch.over(dispatch_job(each, name=_loop_of(each.channels), every=every, tell=tell))
                    for each in dispatchers
                ),
                RecurringJob(name="settings", every=timedelta(seconds=2), run=keep_up),
                RecurringJob(name="watch", every=timedelta(seconds=30), run=look_after_it),
                RecurringJob(name="intake", every=timedelta(minutes=1), run=catch_up),
                *self._mailbox_jobs(),
                *self.desk_jobs(),
            )
        )

    def onlooker(self) -> Runner:
        """Return what tells staff, from a process that sends nothing, when no other sends either."""
        from reminders.delivery.runner import RecurringJob, Runner  # noqa: PLC0415  as above
        from reminders.desk.stall import attend_to_stall  # noqa: PLC0415

        def look() -> None:
            attend_to_stall(self.database, self.desk)

        return Runner((RecurringJob(name="watch", every=timedelta(seconds=30), run=look),))

    def desk_jobs(self) -> tuple[RecurringJob, ...]:
        """Return what the desk does by itself again and again; each run is safe to repeat."""
        from reminders.desk.recurring import DeskWork  # noqa: PLC0415  a preview does nothing by itself

        work = DeskWork(
            database=self.database,
            desk=lambda: self.desk,
            config=lambda: self.config,
            retention=lambda: self.retention_rules,
            tells_of_arrival=self._tells_of_arrival,
        )
        return work.jobs()

    @property
    def retention_rules(self) -> RetentionRules:
        """How long what is kept is kept."""
        from reminders.desk.retention import RetentionRules  # noqa: PLC0415  a preview keeps nothing

        section = self.config.retention
        return RetentionRules(
            documentation_years=section.documentation_years,
            texts=None if section.texts_days is None else timedelta(days=section.texts_days),
            audit_years=section.audit_years or section.documentation_years,
        )

    @cached_property
    def intake(self) -> Intake:
        """Where replies and receipts come in, from transports and from the hooks that gateways call."""
        from reminders.delivery.intake import Intake  # noqa: PLC0415  a preview receives nothing
        from reminders.delivery.undelivered import Undelivered  # noqa: PLC0415
        from reminders.desk import take_reply  # noqa: PLC0415

        smpp = self.config.delivery.smpp

        def take(session: Session, replies: Sequence[IncomingReply]) -> list[take_reply.Taken]:
            return take_reply.take_replies(session, self.desk, [*map(_incoming, replies)])

        return Intake(
            self.database,
            self.clock,
            practice_id=self.config.practice.id,
            take_replies=take,
            on_failure=Undelivered(
                clock=self.clock,
                concern_due=self._concern_due,
                other_way=self._other_way,
            ).tell_staff,
            alphabet=smpp.incoming_alphabet if smpp else "gsm7",
        )

    @cached_property
    def hook_calls(self) -> HookCalls | None:
        """What the gateway may call; None when it brings nothing by itself. ConfigError when a secret is missing."""
        section = self.config.delivery.http
        if section is None or section.hook_auth is None or not section.calls_us:
            return None
        from reminders.delivery.hook_calls import HookCalls  # noqa: PLC0415  a preview receives nothing
        from reminders.delivery.hooks import guard_of  # noqa: PLC0415

        return HookCalls(
            guard=guard_of(section.hook_auth, folder=self.config.folder),
            reply_hook=section.reply_hook,
            receipt_hook=section.receipt_hook,
            region=self.config.practice.region,
            intake=lambda: self.intake,
            tell_staff=self._tell_staff,
            clock=self.clock,
        )

    @property
    def _tell_staff(self) -> TellStaff:
        from reminders.delivery.tell_staff import TellStaff  # noqa: PLC0415  a preview finds no fault

        return TellStaff(
            practice_id=self.config.practice.id,
            database=lambda: self.database,
            clock=self.clock,
            concern_due=self._concern_due,
        )

    def _concern_due(self, urgency: str, at: datetime) -> datetime:
        return self.desk.due.due_at(urgency, at, self.desk.opening)

    def _other_way(self, session: Session, message_id: int, *, surely: bool) -> bool:
        from reminders.desk.other_way import go_another_way  # noqa: PLC0415  few messages need it

        return go_another_way(session, self.desk, message_id, surely=surely)

    def _tells_of_arrival(self) -> tuple[str, ...]:
        """Return the transports in use that tell whether a message arrived."""
        delivery = self.config.delivery
        if delivery.sms == "http" and delivery.http is not None and delivery.http.receipt_hook is not None:
            return ("http",)
        return ("smpp",) if delivery.sms == "smpp" else ()

    @property
    def mail_intake(self) -> MailIntake:
        """Where mails come in, from the mailbox and from a mail server's pipe."""
        from reminders.delivery.mail_intake import MailIntake  # noqa: PLC0415  a preview receives nothing

        practice, mailbox = self.config.practice, self.config.mailbox
        return MailIntake(
            self.intake,
            self.database,
            self.clock,
            practice_id=practice.id,
            own_addresses=(practice.email, mailbox.address if mailbox else ""),
        )

    def _take_mails(self, mails: Sequence[bytes]) -> list[Exception | None]:
        return self.mail_intake.take_in_apart(mails)

    def _mailbox_jobs(self) -> tuple[RecurringJob, ...]:
        section = self.config.mailbox
        if section is None:
            return ()
        from reminders.delivery.mailbox import Mailbox  # noqa: PLC0415  only what is used is loaded
        from reminders.delivery.mailbox_watch import MailboxWatch  # noqa: PLC0415
        from reminders.delivery.runner import RecurringJob  # noqa: PLC0415

        watch = MailboxWatch(
            fetch=Mailbox(section, folder=self.config.folder, take_in=self._take_mails).fetch,
            tell_staff=self._tell_staff,
            clock=self.clock,
        )
        return (RecurringJob(name="mailbox", every=timedelta(seconds=section.poll_seconds), run=watch.run),)

    @cached_property
    def link_key(self) -> bytes:
        """What the tokens in addresses are made with; see `wording.links`."""
        return self.database.link_key()

    @cached_property
    def page_rules(self) -> PageRules | None:
        """How patients' pages are served; None as long as no address is said under which patients reach them."""
        web = self.config.web
        if not web.address:
            return None
        from reminders.desk.patient_page import PageRules  # noqa: PLC0415  a preview needs none

        return PageRules(
            base=web.address,
            key=self.link_key,
            stays=timedelta(days=web.patient_page_days),
            opened_for=timedelta(minutes=web.patient_page_minutes),
        )

    @property
    def letterheads(self) -> Mapping[str, Letterhead]:
        """What the e-mails of each practice have in common; none while it has no address to send from."""
        return AsNow(lambda: letterheads_of(self.config, link_key=lambda: self.link_key))


def _loop_of(channels: Collection[str]) -> str:
    """Return the name of the loop that dispatches these channels."""
    return "dispatch" if len(channels) > 1 else f"dispatch {next(iter(channels))}"


def assemble(config_path: Path | None, *, clock: Clock | None = None) -> App:
    """Build the program from a configuration file; raises ConfigError."""
    return App(load_config(config_path), clock or SystemClock())


def assemble_for_preview(config_path: Path | None) -> tuple[App, bool]:
    """Build what a preview needs; without any configuration an invented practice stands in, and False is returned."""
    if find_config(config_path) is not None:
        return assemble(config_path), True
    practice = PracticeSection(name="Example Practice", zone="America/New_York", phone="212-555-0100")
    return App(Config(practice=practice)), False


def _incoming(reply: IncomingReply) -> IncomingToDesk:
    from reminders.desk.take_reply import Incoming as IncomingToDesk  # noqa: PLC0415  as above

    mail = reply.mail
    return IncomingToDesk(
        channel=reply.channel,
        sender=reply.sender,
        text=reply.text,
        gateway_ref=reply.gateway_ref,
        answers=mail.answers if mail else None,
        by_machine=mail.by_machine if mail else False,
        mail_id=mail.message_id if mail else None,
        left_out=mail.left_out if mail else "",
        signature=mail.signature if mail else "",
        attachments=mail.attachments if mail else 0,
    )
