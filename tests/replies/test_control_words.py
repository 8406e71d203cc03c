"""Stop, start, help and wrong person: whole messages and plain sentences, never a word inside another sentence."""

import pytest

from reminders.replies import Label, triage

# 47 CFR 64.1200(a)(10) as amended by 89 FR 15756 (5 March 2024): these words, in any letter case, revoke consent.
REGULATION = ("stop", "quit", "end", "revoke", "opt out", "cancel", "unsubscribe")
# Common practice, no source.
COMMON = ("stopall", "stop all", "optout", "opt-out", "remove")
OTHER_LANGUAGES = ("alto", "baja", "parar", "cancelar", "pare", "arret", "стоп", "توقف")
MESSAGES = ("none", "dressing_off", "soak", "warning_signs", "checkin_pain", "checkin_yesno", "visit", "unknown_key")


@pytest.mark.parametrize("after", MESSAGES)
@pytest.mark.parametrize("word", REGULATION)
def test_each_word_of_the_regulation_revokes_whatever_it_answers(word: str, after: str) -> None:
    for written in (word, word.upper(), word.title(), f"{word}.", f" {word}!!! ", f"{word} please", f"Please {word}"):
        result = triage(written, after=after)

        assert (result.label, result.opt_out) == (Label.STOP, True), written
        assert result.needs_person is False


@pytest.mark.parametrize("polite", ["Good morning, {} please", "Please {}. Thank you very much.", "{}. Thanks, Priya"])
@pytest.mark.parametrize("word", REGULATION)
def test_each_word_of_the_regulation_revokes_among_polite_ones(word: str, polite: str) -> None:
    assert triage(polite.format(word)).label is Label.STOP


@pytest.mark.parametrize("word", REGULATION)
def test_each_word_of_the_regulation_revokes_when_it_is_urged(word: str) -> None:
    for urged in ("{} right now", "{} at once", "{} immediately please", "{} already", "just {} asap", "{} forever"):
        for after in ("none", "checkin_yesno"):
            assert triage(urged.format(word), after=after).label is Label.STOP, urged


@pytest.mark.parametrize(
    "text",
    [
        *("pare de una vez", "paren ya", "párale", "ya párenle", "dejen de una vez por favor", "basta de una vez"),
        *(
            "stop ya gracias",
            "cancelen de una vez",
            "arrêtez tout de suite",
            "hör auf",
            "hören Sie auf",
            "pare com isso",
        ),
    ],
)
def test_a_stop_urged_in_other_languages_is_honoured(text: str) -> None:
    assert triage(text, after="soak", language="es").label is Label.STOP


@pytest.mark.parametrize(
    "text",
    ["que pare de una vez el dolor", "it wont stop right now", "the drip should end at once?", "para ya me lavé"],
)
def test_what_is_urged_to_stop_is_not_us(text: str) -> None:
    assert not triage(text, after="soak", language="es").opt_out


@pytest.mark.parametrize("word", ["stop", "quit", "end", "unsubscribe", "opt out"])
@pytest.mark.parametrize("polite", ["can you {} please", "Could you please {}?", "would you {}"])
def test_who_is_asked_to_stop_and_nothing_else_has_been_told_to(word: str, polite: str) -> None:
    assert triage(polite.format(word)).label is Label.STOP


@pytest.mark.parametrize("word", REGULATION)
def test_a_word_of_the_regulation_that_stands_alone_is_never_closed_unread(word: str) -> None:
    for written in (
        f"thanks but {word}",
        f"All good here. {word}. Bye, Robin",
        f"{word}. Thanks, Robin",
        f"no. {word}",
        f"great, thanks. {word}",
        f"all healed, {word} everything",
        f"great job! {word} for good",
        f"all is well so {word} it",
        f"👍 {word} them",
        f"{word} now that i'm healed",
    ):
        found = triage(written)
        assert found.opt_out or found.needs_person, written


@pytest.mark.parametrize("word", ["alto", "baja", "pare", "cancelar", "fin", "stop"])
def test_a_spanish_word_that_bids_to_stop_is_never_closed_unread(word: str) -> None:
    for written in (
        f"ya estoy bien así que {word}",
        f"todo bien, {word} todo",
        f"gracias pero {word}",
        f"ya sané. {word} ya",
    ):
        found = triage(written, language="es")
        assert found.opt_out or found.needs_person, written


@pytest.mark.parametrize("word", [*COMMON, *OTHER_LANGUAGES])
def test_customary_words_revoke_too(word: str) -> None:
    assert triage(word.upper()).label is Label.STOP


@pytest.mark.parametrize("written", ["stopp", "sotp", "stpo", "STOOP", "unsubscibe", "unsuscribe", "cancle", "qiut"])
def test_a_slip_in_a_stop_word_still_revokes(written: str) -> None:
    assert triage(written).opt_out


@pytest.mark.parametrize(
    "text",
    [
        "no more texts",
        "please stop texting me",
        "i dont want to get these any more",
        "take my number off your list",
        "do not contact me again",
        "how do i opt out",
        "ya no me manden mensajes",
        "quiero darme de baja",
        "ne m'envoyez plus de messages",
        "I want to quit",
        "I'd like to quit please",
        "I want to revoke",
        "i would like to unsubscribe please",
        "take my number off",
        "no more",
        "no more thanks",
        "no mas",
        "no quiero recibir esto",
        "ya no me escriban",
    ],
)
def test_a_sentence_that_plainly_asks_revokes(text: str) -> None:
    assert triage(text).label is Label.STOP


@pytest.mark.parametrize(
    "text", ["hi, stop", "stop all", "Cancelar mensajes.", "¿Pueden parar, por favor?", "END please"]
)
def test_a_spanish_patient_stops_in_either_language(text: str) -> None:
    assert triage(text, language="es").label is Label.STOP


@pytest.mark.parametrize(
    "text",
    [
        "S T O P",
        "s t o p",
        "S.T.O.P.",
        "STOP -Bob",
        "STOP - Maria",
        "Stop, Priya",
        "stop\nJohn Q",
        "QUIT - jim",
        "END\nBest regards,\nPriya",
    ],
)
def test_a_stop_word_set_apart_or_signed_revokes(text: str) -> None:
    assert triage(text).label is Label.STOP


@pytest.mark.parametrize(
    "text",
    [
        "I would prefer not to receive any further text messages",
        "please refrain from texting me",
        "Would you mind not sending me these messages?",
        "We would rather not be on your texting list",
        "I shall have to decline further messages",
        "thanks for the texts, stop",
        "thank you, but please stop",
        "all good, but stop these",
        "gracias, pero alto por favor",
        "these messages need to end",
        "I would be obliged if these messages ceased",
        "knock it off with the texts",
        "ya déjenme de mandar mensajitos",
        "ya estuvo bueno de mensajes",
        "prefiero no recibir más mensajes",
        "por favor absténganse de mandarme mensajes",
        "je préférerais ne plus recevoir de messages",
        "bitte sehen Sie von weiteren Nachrichten ab",
        "preferirei non ricevere più messaggi",
        "prefiro não receber mais mensagens",
        "proszę o zaprzestanie wysyłania wiadomości",
        "я бы предпочёл не получать сообщения",
        "tôi xin phép không nhận thêm tin nhắn",
        "我不想再收到短信",
        "더 이상 문자를 받고 싶지 않습니다",
        "メッセージの配信は遠慮します",
        "ayoko na pong makatanggap ng mensahe",
        "mwen ta prefere pa resevwa mesaj ankò",
        "أفضل عدم تلقي المزيد من الرسائل",
    ],
)
def test_a_polite_refusal_of_messages_revokes_in_every_language(text: str) -> None:
    assert triage(text).label is Label.STOP


@pytest.mark.parametrize("text", ["取消", "停止", "退订", "arrêt", "стоп", "취소"])
def test_the_stop_words_of_other_writings_revoke(text: str) -> None:
    assert triage(text).opt_out


@pytest.mark.parametrize(
    "text", ["I want to stop", "Reply STOP to end", "I don't want to reply STOP", "like to stop please"]
)
def test_who_writes_of_stopping_without_saying_what_is_read_by_a_person_and_sent_to_no_ambulance(text: str) -> None:
    result = triage(text)

    assert (result.label, result.opt_out) == (Label.ROUTINE, False)


@pytest.mark.parametrize(
    "text",
    [
        "STOP - my toe has pus",
        "STOP, my toe has pus",
        "STOP and my toe has pus",
        "my toe has pus. Stop.",
        "my toe has pus, STOP",
        "my toe has pus - UNSUBSCRIBE",
        "ALTO, me sale pus del dedo",
        "no more texts and bleeding through the dressing",
    ],
)
def test_a_stop_set_apart_from_a_sign_is_honoured_beside_it(text: str) -> None:
    result = triage(text)

    assert (result.label, result.opt_out) == (Label.URGENT, True)


@pytest.mark.parametrize(
    "text",
    ["STOP THE BLEEDING", "MY TOE HAS PUS, STOP", "it just won't STOP - bleeding since noon", "it bled. no stop."],
)
def test_a_stop_that_may_be_meant_of_the_sign_is_none(text: str) -> None:
    assert not triage(text).opt_out


@pytest.mark.parametrize("after", ["checkin_pain", "checkin_yesno", "pain_relief"])
def test_no_more_as_an_answer_may_speak_of_pain_and_goes_to_a_person(after: str) -> None:
    result = triage("no more", after=after)

    assert (result.opt_out, result.needs_person) == (False, True)


@pytest.mark.parametrize(
    "text",
    [
        "bleeding wont stop",
        "stop the bleeding?",
        "should I stop the ointment",
        "I want to stop the ointment, ok?",
        "no more pain",
        "no more gauze",
        "no more bleeding since noon",
        "stop - bleeding again",
        "stop, pain is bad",
        "cancel - tuesday",
        "stop - amoxicillin?",
        "i want to quit smoking",
        "i want out of this boot",
        "S T I L L bleeding",
        "no mas dolor",
        "quiero dejar la pomada",
        "when do i stop the ointment",
        "the end of my toe is sore",
        "it quit hurting",
        "need to cancel my appointment",
        "dont stop these messages they help",
        "cant stop scratching",
        "stop by tomorrow?",
        "can you stop the bleeding",
        "could you please cancel",
        "can I stop please",
        "would you stop it at night",
        "good morning, the end is sore",
        "i would like out of this boot",
        "do i have to quit smoking",
        "no paro de rascarme",
        "I would prefer not to receive the ointment",
        "I'd rather you text me than call",
        "I'd prefer not to get texts at work",
        "I have not received any text messages from this office",
        "would you mind not sending the bill to my work",
        "can i be taken off the waiting list",
        "the bleeding will not. stop",
        "this itching needs to stop",
        "you can stop sending the nurse",
        "the reminder said no more soaks",
        "prefiero no tomar más pastillas",
        "no he recibido más mensajes",
        "ich habe keine Nachricht mehr bekommen",
        "я не получал сообщение",
        "tôi không nhận được tin nhắn",
        "我没有收到短信",
        "문자를 받지 못했어요",
        "メッセージが届いていません",
        "cuando paro la pomada",
    ],
)
def test_a_stop_word_inside_another_sentence_does_not_revoke(text: str) -> None:
    assert triage(text).opt_out is False


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("stop texting me, my toe has pus", Label.URGENT),
        ("STOP. he fainted and wont wake up", Label.EMERGENCY),
        ("unsubscribe! and i cant breathe", Label.EMERGENCY),
    ],
)
def test_a_stop_beside_a_sign_is_ranked_by_the_sign_and_honoured(text: str, label: Label) -> None:
    result = triage(text)

    assert (result.label, result.opt_out, result.needs_person) == (label, True, True)


def test_a_stop_from_the_wrong_person_is_both() -> None:
    result = triage("stop texting, wrong number")

    assert (result.label, result.opt_out, result.wrong_person, result.needs_person) == (Label.STOP, True, True, True)


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("START", Label.START),
        ("unstop", Label.START),
        ("sign me back up for the messages", Label.START),
        ("can i start walking", Label.ROUTINE),
        ("HELP", Label.HELP),
        ("info", Label.HELP),
        ("AYUDA", Label.HELP),
        ("help with the wrap", Label.ROUTINE),
        ("more info on the soaks", Label.ROUTINE),
        ("wrong number", Label.WRONG_PERSON),
        ("numero equivocado", Label.WRONG_PERSON),
        ("i never had surgery, you have the wrong person", Label.WRONG_PERSON),
        ("wrong number for my pharmacy", Label.ROUTINE),
        ("who is this", Label.ROUTINE),
        ("this isn't Carol", Label.WRONG_PERSON),
        ("theres no jim here", Label.WRONG_PERSON),
        ("this is a business line, not her", Label.WRONG_PERSON),
        ("There is no Dolores at this number", Label.WRONG_PERSON),
        ("he had this number before me", Label.WRONG_PERSON),
        ("im not your patient", Label.WRONG_PERSON),
    ],
)
def test_other_control_messages(text: str, label: Label) -> None:
    assert triage(text).label is label


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("i opted out by mistake, please turn the texts back on", Label.START),
        ("opted out by mistake last time but now i mean it, stop texting me", Label.STOP),
        ("my kid texted stop by accident, please send the reminders again", Label.START),
        ("i already opted out twice. stop sending these", Label.STOP),
        ("turn the texts back on pls, i opted out by mistake", Label.START),
        ("sorry i texted stop by mistake", Label.START),
        ("put me back on, i hit stop on accident", Label.START),
        ("I had opted out but now I'd like to receive your messages again", Label.START),
        ("ignore my stop, it was a mistake", Label.START),
        ("me di de baja por error, quiero los mensajes otra vez", Label.START),
        ("je me suis désabonné par erreur, remettez les messages", Label.START),
        ("habe mich versehentlich abgemeldet, bitte wieder Nachrichten schicken", Label.START),
        ("mi sono cancellato per errore", Label.START),
        ("mandei parar por engano", Label.START),
        ("wypisałem się przez pomyłkę", Label.START),
        ("я отписался по ошибке", Label.START),
        ("tôi lỡ nhắn stop", Label.START),
        ("我不小心退订了", Label.START),
        ("실수로 수신거부했어요", Label.START),
        ("間違えて配信停止しました", Label.START),
        ("hindi ko sinasadyang mag-unsubscribe", Label.START),
        ("mwen dezabone pa aksidan", Label.START),
        ("ألغيت الاشتراك بالخطأ", Label.START),
        ("i signed up by mistake unsubscribe me", Label.STOP),
        ("i unsubscribed already, why are you still texting me, take me off", Label.STOP),
        ("accidentally subscribed so please unsubscribe", Label.STOP),
        ("me inscribieron por error, denme de baja", Label.STOP),
        ("ich wurde aus Versehen angemeldet, bitte keine Nachrichten mehr", Label.STOP),
        ("you text me by mistake, please stop", Label.STOP),
    ],
)
def test_a_stop_told_as_a_slip_gives_way_to_a_wish_for_messages(text: str, label: Label) -> None:
    assert triage(text).label is label


@pytest.mark.parametrize(
    "text",
    [
        "im not that worried",
        "this is not the bandage you gave me",
        "not the right size gauze",
        "never had a procedure heal so fast",
        "not my first surgery",
        "nobody here to help me change it",
        "his phone is dead so use mine",
        "we have a new phone number, please update it",
        "there is no answer at your number",
        "no es la herida, es el tobillo",
    ],
)
def test_a_patient_who_names_what_is_not_so_is_no_wrong_person(text: str) -> None:
    assert triage(text).wrong_person is False
