"""The page's own few words, in the languages they are written in here; English elsewhere, marked as English."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from babel import Locale, UnknownLocaleError
from babel.dates import format_date

_KEYS = ("skip", "one", "many", "zip", "picture", "open", "close", "previous", "next", "by", "keys", "missing")
_TEXTS = {
    "en": ("Skip to the pictures", "1 picture", "{n} pictures", "All pictures in one file", "Picture {n} of {total}",
           "Enlarge", "Close", "Previous", "Next", "Photographs: {name}", "Arrow keys turn the pages, Esc closes",
           "Not complete yet: {n} more to come"),
    "de": ("Zu den Bildern springen", "1 Bild", "{n} Bilder", "Alle Bilder in einer Datei", "Bild {n} von {total}",
           "Vergrößern", "Schließen", "Zurück", "Weiter", "Fotos: {name}", "Pfeiltasten blättern, Esc schließt",
           "Noch nicht vollständig: {n} weitere folgen"),
    "nb": ("Hopp til bildene", "1 bilde", "{n} bilder", "Alle bildene i én fil", "Bilde {n} av {total}",
           "Forstørr", "Lukk", "Forrige", "Neste", "Foto: {name}", "Piltastene blar, Esc lukker",
           "Ikke komplett ennå: {n} til kommer"),
    "sv": ("Hoppa till bilderna", "1 bild", "{n} bilder", "Alla bilder i en fil", "Bild {n} av {total}",
           "Förstora", "Stäng", "Föregående", "Nästa", "Foto: {name}", "Piltangenterna bläddrar, Esc stänger",
           "Inte komplett än: {n} till kommer"),
    "da": ("Spring til billederne", "1 billede", "{n} billeder", "Alle billeder i én fil", "Billede {n} af {total}",
           "Forstør", "Luk", "Forrige", "Næste", "Foto: {name}", "Piletasterne bladrer, Esc lukker",
           "Ikke komplet endnu: {n} mere følger"),
    "fr": ("Aller aux photos", "1 photo", "{n} photos", "Toutes les photos en un fichier", "Photo {n} sur {total}",
           "Agrandir", "Fermer", "Précédente", "Suivante", "Photos : {name}", "Flèches : parcourir, Échap : fermer",
           "Pas encore complet : {n} de plus à venir"),
    "es": ("Ir a las fotos", "1 foto", "{n} fotos", "Todas las fotos en un archivo", "Foto {n} de {total}",
           "Ampliar", "Cerrar", "Anterior", "Siguiente", "Fotos: {name}", "Flechas para pasar, Esc para cerrar",
           "Aún incompleto: faltan {n}"),
    "pl": ("Przejdź do zdjęć", "1 zdjęcie", "Zdjęcia: {n}", "Wszystkie zdjęcia w jednym pliku",
           "Zdjęcie {n} z {total}", "Powiększ", "Zamknij", "Poprzednie", "Następne", "Zdjęcia: {name}",
           "Strzałki przewijają, Esc zamyka",
           "Jeszcze niekompletne: brakuje {n}"),
    "pt": ("Ir para as fotos", "1 foto", "{n} fotos", "Todas as fotos num ficheiro", "Foto {n} de {total}",
           "Ampliar", "Fechar", "Anterior", "Seguinte", "Fotos: {name}", "Setas para passar, Esc para fechar",
           "Ainda incompleto: faltam {n}"),
    "ja": ("写真へ移動", "写真1枚", "写真{n}枚", "すべての写真（1ファイル）", "写真 {n}／{total}",
           "拡大", "閉じる", "前へ", "次へ", "撮影：{name}", "矢印キーでめくり、Escで閉じる",
           "未完成：残り{n}枚"),
}  # fmt: skip
_SAME = {"no": "nb"}
_RIGHT_TO_LEFT = {"ar", "he", "fa", "ur"}


def words(language: str) -> tuple[Mapping[str, str], str]:
    """The page's words for a BCP 47 tag, and the tag of the language they are in."""
    primary = language.lower().split("-")[0]
    primary = _SAME.get(primary, primary)
    tag = primary if primary in _TEXTS else "en"
    return dict(zip(_KEYS, _TEXTS[tag], strict=True)), tag


def direction(language: str) -> str:
    """The value of `dir` for a BCP 47 tag."""
    return "rtl" if language.lower().split("-")[0] in _RIGHT_TO_LEFT else "ltr"


def day(moment: datetime | None, language: str) -> str:
    """A date for readers, as their language writes it (Unicode CLDR); ISO 8601 where the language is not known."""
    if moment is None:
        return ""
    try:
        if language.lower() in ("", "en"):
            language = "en-GB"  # day first, as the captions have it
        return format_date(moment, "long", locale=Locale.parse(language, sep="-"))
    except (UnknownLocaleError, ValueError):
        return f"{moment:%Y-%m-%d}"
