"""The language of the texts: dates, lists and countries from the CLDR, and a few phrases of our own.

The phrases are translated from memory, no source. They are worded so that a name, a team or an event never has to
be inflected, and so that they never state a player's sex. A language that is not among them gets a layout
without words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.lists import format_list

from pipeline.shoot.countries import alpha2


@dataclass(frozen=True)
class Phrases:
    """Phrases of one language; "" = the language does without.

    left                               with {who}, of several: before what they do
    pictured, pictured_many, pictured_left      the same without: of one, of "2 players", of several
    indoors                            with {who}: on a court
    someone, someone_of                who is not named; the latter with {team}
    anyone                             the same in place of a name that was typed in a sentence, where `someone` might
                                       need an ending or another preposition; "" = `someone` fits there too
    several, several_of                by CLDR plural category: {n} of them; the latter with {team}
    sport                              what can be said of any frame
    """

    left: str = "{who}"
    pictured: str = "{who}"
    pictured_many: str = ""
    pictured_left: str = "{who}"
    indoors: str = "{who}"
    someone: str = ""
    someone_of: str = "{team}"
    anyone: str = ""
    several: Mapping[str, str] = field(default_factory=dict)
    several_of: Mapping[str, str] = field(default_factory=dict)
    sport: str = ""


_PHRASES = {
    "en": Phrases(
        left="From left, {who}",
        pictured="Pictured is {who}",
        pictured_many="Pictured are {who}",
        pictured_left="Pictured from left are {who}",
        indoors="{who} on an indoor court",
        someone="a player",
        someone_of="a player of {team}",
        several={"other": "{n} players"},
        several_of={"other": "{n} players of {team}"},
        sport="Indoor court sport",
    ),
    "es": Phrases(
        left="De izquierda a derecha, {who}",
        pictured="En la imagen, {who}",
        pictured_left="En la imagen, de izquierda a derecha, {who}",
        indoors="{who} en una cancha cubierta",
        someone="deportista",
        someone_of="integrante del equipo {team}",
        anyone="alguien",
        several={"other": "{n} deportistas"},
        several_of={"other": "{n} integrantes del equipo {team}"},
        sport="Deporte en cancha cubierta",
    ),
    "pt": Phrases(
        left="Da esquerda para a direita, {who}",
        pictured="Na imagem, {who}",
        pictured_left="Na imagem, da esquerda para a direita, {who}",
        indoors="{who} em uma quadra coberta",
        someone="atleta",
        someone_of="atleta da equipe {team}",
        several={"other": "{n} atletas"},
        several_of={"other": "{n} atletas da equipe {team}"},
        sport="Esporte em quadra coberta",
    ),
    "pl": Phrases(
        left="Od lewej: {who}",
        pictured="Na zdjęciu: {who}",
        pictured_left="Na zdjęciu od lewej: {who}",
        indoors="{who} w hali sportowej",
        someone="osoba na boisku",
        someone_of="osoba z drużyny {team}",
        several={"few": "{n} osoby na boisku", "many": "{n} osób na boisku", "other": "{n} osoby na boisku"},
        several_of={
            "few": "{n} osoby z drużyny {team}",
            "many": "{n} osób z drużyny {team}",
            "other": "{n} osoby z drużyny {team}",
        },
        sport="Sport halowy",
    ),
    "ja": Phrases(
        left="左から{who}",
        pictured="写真は{who}",
        pictured_left="写真は左から{who}",
        indoors="屋内コートの{who}",
        someone="選手",
        someone_of="{team}の選手",
        several={"other": "選手{n}人"},
        several_of={"other": "{team}の選手{n}人"},
        sport="屋内コート競技",
    ),
    "de": Phrases(
        left="Von links: {who}",
        pictured="Im Bild: {who}",
        pictured_left="Im Bild von links: {who}",
        indoors="{who} in einer Sporthalle",
        someone="ein Teammitglied",
        someone_of="ein Mitglied des Teams {team}",
        anyone="jemand",  # which may stay so in the dative and accusative (Duden, from memory)
        several={"other": "{n} Teammitglieder"},
        several_of={"other": "{n} Mitglieder des Teams {team}"},
        sport="Hallensport",
    ),
    "fr": Phrases(
        left="De gauche à droite, {who}",
        pictured="Sur la photo, {who}",
        pictured_left="Sur la photo, de gauche à droite, {who}",
        indoors="{who} en salle",
        someone="une personne sur le terrain",
        someone_of="un membre de l’équipe {team}",
        anyone="quelqu’un",
        several={"other": "{n} personnes sur le terrain"},
        several_of={"other": "{n} membres de l’équipe {team}"},
        sport="Sport en salle",
    ),
    "nb": Phrases(
        left="Fra venstre: {who}",
        pictured="På bildet: {who}",
        pictured_left="På bildet fra venstre: {who}",
        indoors="{who} i en idrettshall",
        someone="en spiller",
        someone_of="en spiller fra {team}",
        several={"other": "{n} spillere"},
        several_of={"other": "{n} spillere fra {team}"},
        sport="Innendørsidrett",
    ),
}
_EUROPEAN_PORTUGUESE = replace(
    _PHRASES["pt"],
    indoors="{who} num pavilhão desportivo",
    someone_of="atleta da equipa {team}",
    several_of={"other": "{n} atletas da equipa {team}"},
    sport="Desporto de pavilhão",
)

# Signs where they differ from the Latin ones; from memory, no source.
_STOPS = {"ja": "。", "zh": "。", "hi": "।", "my": "။", "km": "។", "am": "።", "hy": "։", "th": "", "lo": ""}
_COMMAS = {"ja": "、", "zh": "，", "ar": "، ", "fa": "، ", "ur": "، "}


@dataclass(frozen=True)
class Language:
    """How texts are written. `locale` None = the CLDR does not have it: dates are then as ISO 8601."""

    code: str
    locale: Locale | None
    phrases: Phrases

    @property
    def stop(self) -> str:
        """The full stop of the language's script; "" where it has none."""
        return _STOPS.get(self.code, ".")

    @property
    def comma(self) -> str:
        """The comma, with the space that follows it."""
        return _COMMAS.get(self.code, ", ")

    @property
    def spaced(self) -> bool:
        """Whether spaces separate sentences and words."""
        return self.code not in ("ja", "zh")

    def capital(self, text: str) -> str:
        """With a capital at its start: SpecialCasing of Unicode for Turkish and Azeri, and the Dutch ij."""
        if self.code in ("tr", "az") and text[:1] == "i":
            return "İ" + text[1:]
        first = 2 if self.code == "nl" and text[:2] == "ij" else 1
        return text[:first].upper() + text[first:]

    def brackets(self, text: str) -> str:
        """`text` in round brackets, to be added to a word."""
        return f" ({text})" if self.spaced else f"（{text}）"

    def date(self, day: date) -> str:
        """The date in full, "14 lutego 2026"."""
        return format_date(day, "long", self.locale) if self.locale else day.isoformat()

    def listed(self, parts: Sequence[str]) -> str:
        """ "A, B and C"."""
        if self.locale is None:
            return ", ".join(parts)
        text = format_list(parts, "standard", self.locale)
        # "e" before the sound of i (Real Academia Española, Ortografía 2010); the CLDR's patterns do not cover it
        if self.code == "es" and len(parts) > 1 and re.match(r"(?i)h?[ií](?![aeou])", parts[-1]):
            return text[: -len(parts[-1])].removesuffix(" y ") + " e " + parts[-1]
        return text

    def country(self, code: str) -> str:
        """The name of a country in this language; "" where the CLDR has none."""
        return str(self.locale.territories.get(alpha2(code), "")) if self.locale and alpha2(code) else ""

    def nobody(self, team: str, count: int = 1) -> str:
        """Who is not named: "a player of Harbour Gulls", "2 players"; "" where there is no word and no team."""
        p = self.phrases
        if count == 1 or not p.several or self.locale is None:
            return p.someone_of.format(team=team) if team else p.someone
        kind = self.locale.plural_form(count)
        forms = p.several_of if team else p.several
        return forms.get(kind, forms["other"]).format(n=count, team=team)

    @property
    def stand_in(self) -> str:
        """What is written for a withheld name in a sentence that a person typed, after any word of it."""
        return self.phrases.anyone or self.phrases.someone or "…"


@lru_cache(maxsize=64)
def language_of(tag: str, country: str) -> Language:
    """The language of a BCP 47 tag; where that names no region, as it is written in the shoot's country.

    country  ISO 3166 alpha-2 or alpha-3, or ""
    """
    parts = tag.split("-")
    parts[0] = {"no": "nb"}.get(parts[0].lower(), parts[0].lower())
    region = alpha2(country)
    named = any(re.fullmatch(r"[A-Za-z]{2}|\d{3}", part) for part in parts[1:])
    choices = [] if named or not region else [[*parts, region]]
    choices += [parts[:end] for end in range(len(parts), 0, -1)]
    locale = next((found for choice in choices if (found := _locale(choice))), None)
    phrases = _PHRASES.get(parts[0], Phrases())
    # Brazil's words also where no country is given, as in the CLDR; elsewhere Portugal's
    if parts[0] == "pt" and locale is not None and locale.territory not in (None, "BR"):
        phrases = _EUROPEAN_PORTUGUESE
    return Language(parts[0], locale, phrases)


def _locale(parts: Sequence[str]) -> Locale | None:
    try:
        found = Locale.parse("-".join(parts), sep="-")
    except (ValueError, UnknownLocaleError):
        return None
    # The CLDR takes "und", the unknown language, for English.
    return None if found.language == "en" and parts[0] != "en" else found
