"""Codes of countries: ISO 3166-1 alpha-2 and alpha-3."""

from __future__ import annotations

from babel import Locale
from babel.languages import get_official_languages

# The 249 officially assigned codes (ISO 3166-1 as maintained in 2026), alpha-2 before alpha-3.
_ASSIGNED = (
    "ADAND AEARE AFAFG AGATG AIAIA ALALB AMARM AOAGO AQATA ARARG ASASM ATAUT AUAUS AWABW AXALA AZAZE BABIH BBBRB "
    "BDBGD BEBEL BFBFA BGBGR BHBHR BIBDI BJBEN BLBLM BMBMU BNBRN BOBOL BQBES BRBRA BSBHS BTBTN BVBVT BWBWA BYBLR "
    "BZBLZ CACAN CCCCK CDCOD CFCAF CGCOG CHCHE CICIV CKCOK CLCHL CMCMR CNCHN COCOL CRCRI CUCUB CVCPV CWCUW CXCXR "
    "CYCYP CZCZE DEDEU DJDJI DKDNK DMDMA DODOM DZDZA ECECU EEEST EGEGY EHESH ERERI ESESP ETETH FIFIN FJFJI FKFLK "
    "FMFSM FOFRO FRFRA GAGAB GBGBR GDGRD GEGEO GFGUF GGGGY GHGHA GIGIB GLGRL GMGMB GNGIN GPGLP GQGNQ GRGRC GSSGS "
    "GTGTM GUGUM GWGNB GYGUY HKHKG HMHMD HNHND HRHRV HTHTI HUHUN IDIDN IEIRL ILISR IMIMN ININD IOIOT IQIRQ IRIRN "
    "ISISL ITITA JEJEY JMJAM JOJOR JPJPN KEKEN KGKGZ KHKHM KIKIR KMCOM KNKNA KPPRK KRKOR KWKWT KYCYM KZKAZ LALAO "
    "LBLBN LCLCA LILIE LKLKA LRLBR LSLSO LTLTU LULUX LVLVA LYLBY MAMAR MCMCO MDMDA MEMNE MFMAF MGMDG MHMHL MKMKD "
    "MLMLI MMMMR MNMNG MOMAC MPMNP MQMTQ MRMRT MSMSR MTMLT MUMUS MVMDV MWMWI MXMEX MYMYS MZMOZ NANAM NCNCL NENER "
    "NFNFK NGNGA NINIC NLNLD NONOR NPNPL NRNRU NUNIU NZNZL OMOMN PAPAN PEPER PFPYF PGPNG PHPHL PKPAK PLPOL PMSPM "
    "PNPCN PRPRI PSPSE PTPRT PWPLW PYPRY QAQAT REREU ROROU RSSRB RURUS RWRWA SASAU SBSLB SCSYC SDSDN SESWE SGSGP "
    "SHSHN SISVN SJSJM SKSVK SLSLE SMSMR SNSEN SOSOM SRSUR SSSSD STSTP SVSLV SXSXM SYSYR SZSWZ TCTCA TDTCD TFATF "
    "TGTGO THTHA TJTJK TKTKL TLTLS TMTKM TNTUN TOTON TRTUR TTTTO TVTUV TWTWN TZTZA UAUKR UGUGA UMUMI USUSA UYURY "
    "UZUZB VAVAT VCVCT VEVEN VGVGB VIVIR VNVNM VUVUT WFWLF WSWSM YEYEM YTMYT ZAZAF ZMZMB ZWZWE "
)
# Kosovo has no code of the standard; XK and XKX are user-assigned, and CLDR has them.
_CODES = {pair[:2]: pair[2:] for pair in [*_ASSIGNED.split(), "XKXKX"]}
_ALPHA2 = {three: two for two, three in _CODES.items()}
_LANGUAGES = (
    "en",
    "es",
    "pt",
    "pl",
    "ja",
    "de",
    "fr",
    "nb",
)  # in which a country's name is recognised, to suggest its code


def alpha2(code: str) -> str:
    """The two letters of a country, given its two or three in any case; "" for an unknown code."""
    code = code.upper()
    return code if code in _CODES else _ALPHA2.get(code, "")


def alpha3(code: str) -> str:
    """The three letters of a country, given its two or three in any case; "" for an unknown code."""
    return _CODES.get(alpha2(code), "")


def languages_of(language: str, country: str) -> tuple[str, ...]:
    """Codes of the languages that a person may write in: the one given, then the official ones of a country (CLDR)."""
    official = get_official_languages(alpha2(country), de_facto=True) if country else ()
    return tuple(dict.fromkeys((language, *official)))


def suggested(written: str) -> str:
    """ "NO or NOR" for a country's name, or for a code that other lists have (UK); else an example."""
    found = {"uk": "GB"}.get(written.casefold(), "")
    for language in _LANGUAGES if len(written) > 3 else ():
        names = Locale(language).territories.items()
        found = found or next((c for c, n in names if n.casefold() == written.casefold() and c in _CODES), "")
    return f"{found} or {alpha3(found)}" if found else "two or three letters such as NO or NOR"
