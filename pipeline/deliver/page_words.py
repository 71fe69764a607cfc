"""The page's own few words, in the languages they are written in here; English elsewhere, marked as English."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from babel import Locale, UnknownLocaleError
from babel.dates import format_date

_KEYS = (
    "skip", "one", "many", "zip", "picture", "open", "close", "previous", "next", "by", "keys", "missing",
    "search", "player", "time", "all", "each", "rest", "shown", "none", "download", "sheet", "page",
)  # fmt: skip
_TEXTS = {
    "en": ("Skip to the pictures", "1 picture", "{n} pictures", "All pictures in one file", "Picture {n} of {total}",
           "Enlarge", "Close", "Previous", "Next", "Photographs: {name}", "Arrow keys turn the pages, Esc closes",
           "Not complete yet: {n} more to come",
           "Search", "Player", "Time", "All pictures", "Under each player", "Nobody named",
           "{n} of {total} pictures", "No picture fits", "Download", "Contact sheet", "Page {n} of {total}"),
    "de": ("Zu den Bildern springen", "1 Bild", "{n} Bilder", "Alle Bilder in einer Datei", "Bild {n} von {total}",
           "Vergrößern", "Schließen", "Zurück", "Weiter", "Fotos: {name}", "Pfeiltasten blättern, Esc schließt",
           "Noch nicht vollständig: {n} weitere folgen",
           "Suche", "Spieler", "Uhrzeit", "Alle Bilder", "Nach Spielern", "Niemand genannt",
           "{n} von {total} Bildern", "Kein Bild passt", "Herunterladen", "Kontaktbogen", "Seite {n} von {total}"),
    "nb": ("Hopp til bildene", "1 bilde", "{n} bilder", "Alle bildene i én fil", "Bilde {n} av {total}",
           "Forstørr", "Lukk", "Forrige", "Neste", "Foto: {name}", "Piltastene blar, Esc lukker",
           "Ikke komplett ennå: {n} til kommer",
           "Søk", "Spiller", "Tid", "Alle bilder", "Etter spiller", "Ingen navngitt", "{n} av {total} bilder",
           "Ingen bilder passer", "Last ned", "Kontaktark", "Side {n} av {total}"),
    "sv": ("Hoppa till bilderna", "1 bild", "{n} bilder", "Alla bilder i en fil", "Bild {n} av {total}",
           "Förstora", "Stäng", "Föregående", "Nästa", "Foto: {name}", "Piltangenterna bläddrar, Esc stänger",
           "Inte komplett än: {n} till kommer",
           "Sök", "Spelare", "Tid", "Alla bilder", "Efter spelare", "Ingen namngiven", "{n} av {total} bilder",
           "Ingen bild passar", "Ladda ner", "Kontaktkarta", "Sida {n} av {total}"),
    "da": ("Spring til billederne", "1 billede", "{n} billeder", "Alle billeder i én fil", "Billede {n} af {total}",
           "Forstør", "Luk", "Forrige", "Næste", "Foto: {name}", "Piletasterne bladrer, Esc lukker",
           "Ikke komplet endnu: {n} mere følger",
           "Søg", "Spiller", "Tid", "Alle billeder", "Efter spiller", "Ingen nævnt", "{n} af {total} billeder",
           "Intet billede passer", "Hent", "Kontaktark", "Side {n} af {total}"),
    "fr": ("Aller aux photos", "1 photo", "{n} photos", "Toutes les photos en un fichier", "Photo {n} sur {total}",
           "Agrandir", "Fermer", "Précédente", "Suivante", "Photos : {name}", "Flèches : parcourir, Échap : fermer",
           "Pas encore complet : {n} de plus à venir",
           "Rechercher", "Joueur", "Heure", "Toutes les photos", "Par joueur", "Personne de nommé",
           "{n} photos sur {total}", "Aucune photo trouvée", "Télécharger", "Planche-contact",
           "Page {n} sur {total}"),
    "es": ("Ir a las fotos", "1 foto", "{n} fotos", "Todas las fotos en un archivo", "Foto {n} de {total}",
           "Ampliar", "Cerrar", "Anterior", "Siguiente", "Fotos: {name}", "Flechas para pasar, Esc para cerrar",
           "Aún incompleto: faltan {n}",
           "Buscar", "Jugador", "Hora", "Todas las fotos", "Por jugador", "Nadie nombrado", "{n} de {total} fotos",
           "Ninguna foto coincide", "Descargar", "Hoja de contactos", "Página {n} de {total}"),
    "pl": ("Przejdź do zdjęć", "1 zdjęcie", "Zdjęcia: {n}", "Wszystkie zdjęcia w jednym pliku",
           "Zdjęcie {n} z {total}", "Powiększ", "Zamknij", "Poprzednie", "Następne", "Zdjęcia: {name}",
           "Strzałki przewijają, Esc zamyka",
           "Jeszcze niekompletne: brakuje {n}",
           "Szukaj", "Zawodnik", "Godzina", "Wszystkie zdjęcia", "Według zawodników", "Bez nazwisk",
           "Zdjęcia: {n} z {total}", "Żadne zdjęcie nie pasuje", "Pobierz", "Stykówka", "Strona {n} z {total}"),
    "pt": ("Ir para as fotos", "1 foto", "{n} fotos", "Todas as fotos num ficheiro", "Foto {n} de {total}",
           "Ampliar", "Fechar", "Anterior", "Seguinte", "Fotos: {name}", "Setas para passar, Esc para fechar",
           "Ainda incompleto: faltam {n}",
           "Procurar", "Jogador", "Hora", "Todas as fotos", "Por jogador", "Ninguém nomeado", "{n} de {total} fotos",
           "Nenhuma foto corresponde", "Transferir", "Folha de contacto", "Página {n} de {total}"),
    "ja": ("写真へ移動", "写真1枚", "写真{n}枚", "すべての写真（1ファイル）", "写真 {n}／{total}",
           "拡大", "閉じる", "前へ", "次へ", "撮影：{name}", "矢印キーでめくり、Escで閉じる",
           "未完成：残り{n}枚",
           "検索", "選手", "時刻", "すべての写真", "選手ごと", "名前のない写真", "写真 {n}／{total}枚",
           "該当する写真はありません", "ダウンロード", "コンタクトシート",
           "{n}／{total}ページ"),
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
