"""Replies put together from ordinary parts: a concept said in many ways, in frames, with slips of dictation and typing.

Invented; the ways of saying are common knowledge of the languages. A slot `[a|b]` stands for each of its words.
"""

import random
import re
from collections.abc import Iterator
from itertools import product

EMERGENCIES: dict[str, tuple[str, ...]] = {
    "en breathing": (
        "[i|he|she] [cant|can't|cannot|can barely|can hardly] [breathe|catch my breath|get air|get enough air]",
        "[im|hes|she is] [struggling|fighting|having a hard time] to breathe",
        "[breathing is|my breathing is] [getting hard|very shallow|really fast|labored]",
        "[really|very|so] short of breath",
        "having trouble [breathing|getting air in|taking a breath]",
    ),
    "en swelling_face": (
        "my [tongue|lips|face|throat] [is|are] [swelling|swelling up|swollen|puffing up]",
        "my throat [is closing|feels like it is closing|is tight]",
        "[cant|can barely|hard to] swallow",
        "swollen [tongue|lips|face] after the [pill|antibiotic]",
    ),
    "en chest_pain": (
        "[my chest hurts|chest pain|pain in my chest|tightness in my chest|my chest feels tight]",
        "[crushing|heavy|squeezing] [feeling|pressure] in my chest",
    ),
    "en collapse": (
        "[he|she|my husband|my mother] [passed out|fainted|collapsed|blacked out]",
        "[he|she] [wont wake up|is not responding|is unconscious|is unresponsive]",
        "[he|she|mom] [is confused|is talking nonsense|doesnt know where she is|is not making sense]",
        "i [passed out|fainted|blacked out] [this morning|an hour ago|in the shower]",
    ),
    "en heavy_bleeding": (
        "[it|the toe|the wound|the bleeding] [wont stop|will not stop|doesnt stop] bleeding",
        "blood is [gushing|spurting|pouring|squirting] [out|from my toe]",
        "[pressed|been pressing|held pressure] for [20|25|30] minutes and [its still bleeding|it keeps bleeding]",
        "soaked through [three|four|five|6] [gauzes|towels|bandages] already",
        "[cant|can't] stop the bleeding",
    ),
    "en overdose": (
        "[took|swallowed|he took|she ate] [the whole bottle|all of the pills|the entire pack of pills]",
        "[i|he|she] overdosed on the pills",
    ),
    "en self_harm": (
        "i [want to die|want to kill myself|dont want to live anymore|want to end my life]",
        "thinking about [killing myself|suicide|ending it all]",
    ),
    "es breathing": (
        "no [puedo|puede] respirar [bien|]",
        "me [falta|esta faltando] el aire",
        "le cuesta [mucho|] respirar",
    ),
    "es swelling_face": (
        "se me [hinchó|está hinchando] [la lengua|la cara|la boca|el labio]",
        "se me [cierra|está cerrando] la garganta",
        "no puedo tragar",
    ),
    "es chest_pain": ("[me duele|tengo dolor en|siento presión en] el pecho",),
    "es collapse": (
        "[mi mamá|mi esposo|él|ella] se [desmayó|desvaneció]",
        "no [responde|despierta|reacciona]",
        "está [muy|] [confundido|confundida|desorientada]",
    ),
    "es heavy_bleeding": (
        "no [para|deja] de sangrar",
        "[sale|está saliendo] [mucha|muchísima] sangre",
        "la sangre [sale a chorros|no para]",
    ),
    "es overdose": ("se tomó [todo el frasco|todas las pastillas|toda la caja] [de pastillas|]",),
    "es self_harm": ("[ya no quiero vivir|me quiero morir|quiero matarme|quiero quitarme la vida]",),
}
SAME_DAY: dict[str, tuple[str, ...]] = {
    "en spreading_redness": (
        "the redness [is spreading|has spread|is getting bigger|is moving up|creeps up] [my foot|toward my ankle|]",
        "[its|the toe is|my foot is] [red and hot|red and swollen and hot|bright red and warm]",
        "[redness|red area] [past|beyond|above] the [line|ankle|knuckle]",
    ),
    "en streaks": ("[red streaks|a red streak|red lines|a red line] [going up|running up|climbing] my [foot|leg|arm]",),
    "en pus": (
        "[pus|green stuff|thick yellow stuff|white pus] [is coming out|coming from the toe|leaking out|in the wound]",
        "[its|the wound is|my toe is] [oozing|leaking|draining] [pus|green stuff|thick yellow fluid]",
    ),
    "en smell": ("[it|the toe|the wound|the bandage] [smells bad|smells awful|stinks|smells rotten|has a bad smell]",),
    "en fever": (
        "[i have|i am running|he has|woke up with] a [fever|temperature of 101|fever of 102]",
        "[my temp is|temp is|temperature] [100.9|101.5|38.6|39]",
    ),
    "en chills": ("[i have|shaking with|got] [the chills|chills]", "[i cant stop|cant stop|keep] shivering"),
    "en pain_high": (
        "the pain is [unbearable|terrible|horrible|killing me|out of control|excruciating]",
        "[cant sleep|cant walk|couldnt sleep] because of the pain",
        "[pain pills|the pills|the medicine] [arent helping|dont touch the pain|do nothing for the pain]",
    ),
    "en pain_worse": ("the pain [is getting worse|got worse|keeps getting worse|is worse than yesterday]",),
    "en colour_change": (
        "my toe [is|turned|is turning|looks] [black|blue|purple|white|grey]",
        "the [tip|skin] [is|turned] [black|dark purple|blue]",
    ),
    "en cold": ("my [toe|foot|toes] [is|feels|are] [ice cold|cold and pale|freezing cold|really cold]",),
    "en numb_late": ("my toe is still numb [today|3 days later|since tuesday]", "still [cant|can't] feel my toe"),
    "en leg_swelling": (
        "my [calf|leg] is [swollen|swollen and painful|hard and sore]",
        "[new pain|swelling] in my calf",
    ),
    "en rash": ("[i have|broke out in|covered in|got] [hives|a rash|a rash all over]",),
    "en wound_open": (
        "the [wound|incision|cut] [opened up|came open|split open|is open]",
        "[my stitches|the stitches|two stitches] [popped|came out|came undone|tore]",
        "[i can see|you can see] [bone|the bone]",
    ),
    "en vomiting": ("[i keep|he keeps|been] [throwing up|vomiting]", "threw up the [antibiotic|pill|medicine]"),
    "en glucose_high": ("[my sugar is|blood sugar|glucose is] [320|350|410]", "my meter [says|reads] HI"),
    "en bleeding": (
        "[its|the toe is|my toe is] bleeding [through the bandage|again|]",
        "blood [coming through|on the] gauze",
    ),
    "es spreading_redness": (
        "lo rojo [se está extendiendo|va subiendo|ya llega al tobillo|crece]",
        "[está|el dedo está] [rojo y caliente|muy rojo y caliente]",
    ),
    "es streaks": (
        "[tengo|veo|hay] [una raya roja|una línea roja|rayas rojas] [que sube|subiendo] por [el pie|la pierna]",
    ),
    "es pus": ("[me|le] sale [pus|pus amarilla|líquido verde|materia]", "[tiene|tengo] pus [en el dedo|en la herida|]"),
    "es smell": ("[huele|la herida huele|el vendaje huele] [mal|feo|muy feo|a podrido]",),
    "es fever": ("[tengo|tiene|amanecí con] [fiebre|calentura|fiebre de 39|38.5 de fiebre]",),
    "es chills": ("[tengo|tiene|me dan] [escalofríos|muchos escalofríos]",),
    "es pain_high": (
        "[el dolor es|tengo un dolor] [insoportable|horrible]",
        "me duele [muchísimo|demasiado]",
        "no aguanto el dolor",
    ),
    "es pain_worse": ("[me duele más cada día|el dolor va empeorando|el dolor está peor|cada vez me duele más]",),
    "es colour_change": ("el dedo [está|se puso|se está poniendo] [negro|morado|azul|blanco]",),
    "es cold": ("[tengo el dedo|el dedo está] [helado|muy frío]",),
    "es numb_late": ("[sigo sin sentir|todavía no siento] el dedo",),
    "es leg_swelling": ("[se me hinchó|tengo hinchada] la [pantorrilla|pierna]",),
    "es rash": ("[me salieron|tengo] [ronchas|ronchas en todo el cuerpo]",),
    "es wound_open": ("se [me|] [abrió|abrió] la herida", "se me [soltaron|reventaron] los puntos"),
    "es vomiting": ("[vomité|vomitó] [la pastilla|el antibiótico|todo]",),
    "es bleeding": ("[está sangrando|sangra|me sangra] [otra vez|por la venda|]",),
}
HARMLESS: dict[str, tuple[str, ...]] = {
    "en": (
        "[all good|everything is fine|doing great|no problems|feeling good] [here|today|so far|]",
        "[no pain|no fever|no redness|no pus|no bleeding] [at all|today|and feeling fine|]",
        "[thanks|thank you|many thanks|thx] [so much|for checking|for the reminder|doc|]",
        "[healing|it is healing|healing up] [well|nicely|great|fine]",
        "[took|changed|removed] [the dressing|the bandage|it] [off|already|this morning] [no problem|fine|all good]",
    ),
    "es": (
        "[todo bien|voy muy bien|todo perfecto|sin problemas] [gracias|por aquí|doctora|]",
        "[no tengo dolor|sin dolor|sin fiebre|no hay pus] [gracias|y todo bien|]",
        "[muchas gracias|mil gracias|gracias] [por todo|por preguntar|por avisar|]",
    ),
}
FRAMES: dict[str, tuple[str, ...]] = {
    "en": (
        "{}",
        "hi, {}",
        "{} what should i do",
        "{} since last night",
        "sorry to bother you but {}",
        "thanks for the text. {}",
        "ok done. {}",
        "{}!!",
        "{} 😊 thanks",
        "no fever. {}",
        "it was fine but now {}",
        "{} please call me",
        "no fever but {}",
        "no pus, no smell but {}",
        "{} but no fever",
        "{} is that normal?",
        "is it normal that {}",
        "stop texting me, {}",
        "{} otherwise fine",
        "{} lol",
        "when i woke up {}",
        "the nurse said to text if {}. well {}",
        "yes. {}",
        "not sure but i think {}",
        "my wife here, {}",
        "{} and its been 2 days",
        "day 3 and {}",
    ),
    "es": (
        "{}",
        "hola, {}",
        "{} qué hago",
        "{} desde anoche",
        "disculpe pero {}",
        "gracias por el mensaje. {}",
        "ya lo hice. {}",
        "{}!!",
        "{} 🙏 gracias",
        "no tengo fiebre. {}",
        "estaba bien pero ahora {}",
        "{} llámenme por favor",
        "no tengo fiebre pero {}",
        "sin pus ni olor pero {}",
        "{} pero sin fiebre",
        "{} es normal?",
        "es normal que {}",
        "{} lo demás bien",
        "cuando desperté {}",
        "creo que {}",
        "ya van 3 días y {}",
        "soy la esposa, {}",
    ),
}
_SLOT = re.compile(r"\[([^\]]*)\]")


def said(pattern: str) -> Iterator[str]:
    """Every sentence that a pattern stands for."""
    parts = _SLOT.split(pattern)
    options = [part.split("|") if at % 2 else [part] for at, part in enumerate(parts)]
    for words in product(*options):
        yield " ".join("".join(words).split())


def sample(patterns: tuple[str, ...], *, most: int, seed: str) -> list[str]:
    """At most so many sentences of these patterns, the same ones each time."""
    sentences = [sentence for pattern in patterns for sentence in said(pattern)]
    return random.Random(seed).sample(sentences, min(most, len(sentences)))


def slipped(text: str, rng: random.Random) -> str:
    """The text with two letters inside one longer word swapped."""
    words = text.split(" ")
    longer = [at for at, word in enumerate(words) if len(word) >= 5 and word.isalpha()]
    if not longer:
        return text
    at = rng.choice(longer)
    word, i = words[at], rng.randrange(1, len(words[at]) - 2)
    words[at] = word[:i] + word[i + 1] + word[i] + word[i + 2 :]
    return " ".join(words)
