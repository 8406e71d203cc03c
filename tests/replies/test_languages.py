"""Replies in other languages: serious, thankful and control words by meaning, everything else to a person."""

import pytest

from reminders.replies import Label, triage


@pytest.mark.parametrize(
    ("text", "language"),
    [
        ("my toe is very swollen today", "en"),
        ("me duele mucho el dedo", "es"),
        ("можно мне завтра прийти", "ru"),
        ("我什么时候可以洗澡", "zh"),
        ("wann darf ich wieder duschen", "de"),
        ("quand est-ce que je peux marcher", "fr"),
        ("ქართული ტექსტი", "und"),
    ],
)
def test_the_language_of_each_reply_is_told(text: str, language: str) -> None:
    assert triage(text).language == language


def test_the_chosen_language_decides_when_the_words_do_not() -> None:
    assert triage("no", language="es").language == "es"
    assert triage("7", language="en").language == "en"


def test_a_spanish_patient_may_answer_in_english_and_mix() -> None:
    assert "pus" in triage("there is pus", language="es").signs
    assert "fever" in triage("tengo fever desde ayer y el toe hurts", language="es").signs


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("ya no más texts ok", Label.STOP),
        ("no más reminders please", Label.STOP),
        ("reeks to high heaven. Por lo demás todo bien, gracias", Label.URGENT),
        ("the wound looks ok pero huele mal", Label.URGENT),
        ("ok thanks mi si gonfia la lingua", Label.EMERGENCY),
    ],
)
def test_one_word_of_another_language_may_be_the_one_that_counts(text: str, label: Label) -> None:
    assert triage(text).label is label


@pytest.mark.parametrize(
    ("text", "sign"),
    [
        ("se me inflamó la pierna", "leg_swelling"),
        ("la pierna se inflama y se hincha", "leg_swelling"),
        ("tiritaba toda la noche", "chills"),
        ("se reventaron dos puntos", "wound_open"),
        ("la venda apestaba", "smell"),
        ("el dolor aumentaba anoche", "pain_worse"),
        ("el dedo se está ennegreciendo", "colour_change"),
        ("lo colorao va subiendo por la pierna", "spreading_redness"),
    ],
)
def test_spanish_verbs_are_known_in_all_their_forms(text: str, sign: str) -> None:
    assert sign in triage(text, language="es").signs


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("je ne peux pas respirer", Label.EMERGENCY),
        ("não consigo respirar", Label.EMERGENCY),
        ("ich bekomme keine Luft", Label.EMERGENCY),
        ("non riesco a respirare", Label.EMERGENCY),
        ("nie mogę oddychać", Label.EMERGENCY),
        ("hindi ako makahinga", Label.EMERGENCY),
        ("tôi không thở được", Label.EMERGENCY),
        ("не могу дышать", Label.EMERGENCY),
        ("لا أستطيع التنفس", Label.EMERGENCY),
        ("我不能呼吸", Label.EMERGENCY),
        ("숨을 못 쉬겠어요", Label.EMERGENCY),
        ("mwen pa ka respire", Label.EMERGENCY),
        ("息ができない", Label.EMERGENCY),
        ("発熱 39", Label.URGENT),
        ("merci beaucoup", Label.NONE),
        ("muito obrigada", Label.NONE),
        ("danke", Label.NONE),
        ("grazie dottore", Label.NONE),
        ("dziękuję bardzo", Label.NONE),
        ("salamat po", Label.NONE),
        ("cảm ơn bác sĩ", Label.NONE),
        ("спасибо", Label.NONE),
        ("شكرا", Label.NONE),
        ("谢谢", Label.NONE),
        ("감사합니다", Label.NONE),
        ("mèsi anpil", Label.NONE),
        ("ありがとうございます", Label.NONE),
    ],
)
def test_serious_and_thankful_words_are_known_in_many_languages(text: str, label: Label) -> None:
    assert triage(text).label is label


@pytest.mark.parametrize(
    "text",
    [
        # numb
        *("Ich spüre meinen Zeh immer noch nicht", "Je ne sens toujours pas mon orteil", "Non sento ancora il dito"),
        *("Палец до сих пор не чувствую", "Hindi ko pa rin maramdaman ang daliri", "まだ指の感覚がありません"),
        *("Vẫn chưa có cảm giác ở ngón chân", "ما زلت لا أشعر بإصبعي", "Nadal nie czuję palca"),
        # too much pain to sleep
        *("Kann vor Schmerzen nicht schlafen", "Je ne peux pas dormir tellement j'ai mal", "Nie mogę spać z bólu"),
        *(
            "Non riesco a dormire dal dolore",
            "Não consigo dormir de dor",
            "Đau quá không ngủ được",
            "لا أستطيع النوم من الألم",
        ),
        # hot and swollen
        *("Der Fuß ist heiß und geschwollen", "Mon pied est chaud et gonflé", "Il piede è caldo e gonfio"),
        *(
            "O pé está quente e inchado",
            "Stopa jest gorąca i spuchnięta",
            "Стопа горячая и опухшая",
            "발이 뜨겁고 부었어요",
        ),
        *("Mainit at namamaga ang paa", "脚又热又肿", "ふくらはぎが腫れて痛いです"),
        # opened, bleeding through, with an article joined to the word
        *("Rana się otworzyła w nocy", "Plè a louvri yè swa", "Un point a sauté", "انفكت غرزة", "È saltato un punto"),
        *("Der Verband ist durchgeblutet", "La garza è piena di sangue", "J'ai de l'urticaire", "Ho l'orticaria"),
        # worse each day, with a fever
        *(
            "الألم يزداد كل يوم",
            "痛みがだんだんひどくなっています",
            "今朝39度の熱がありました",
            "Lalong sumasakit araw araw",
        ),
        # more tablets than anybody may take
        *("一次吃了20片药", "薬を20錠飲みました", "J'ai pris 20 comprimés d'un coup"),
    ],
)
def test_what_cannot_wait_is_known_by_its_words_in_many_languages(text: str) -> None:
    result = triage(text)

    assert result.label in {Label.EMERGENCY, Label.URGENT}
    assert any(one.rule.startswith(("sign.", "net.", "number.")) for one in result.why)


@pytest.mark.parametrize("text", ["wann darf ich duschen", "kisa pou m mete nan dlo a", "tôi tắm được chưa", "🦶❓"])
def test_what_the_desk_cannot_read_goes_to_a_person(text: str) -> None:
    result = triage(text)

    assert (result.label, result.signs, result.needs_person) == (Label.ROUTINE, ("unclear",), True)
