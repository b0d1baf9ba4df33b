"""How the kinds of identifier look in a column name, in an id and in free text.

Each function gives a kind of `identifiers.KINDS`, or empty text. The patterns
have no nested repetition, so that no text makes them slow.
"""

from __future__ import annotations

import ipaddress
import re
import unicodedata
from collections.abc import Iterable

_STEMS: dict[str, tuple[str, ...]] = {
    # kind: beginnings or parts (five letters or more) of a word in a column name
    "social_security_number": ("socialsecurity", "sozialversicherung", "securitesociale"),
    "health_plan_number": (
        "healthplan", "insurance", "versicherung", "krankenkasse", "assurance", "assicurazione",
        "asegurad", "beneficiary", "policyno", "policynumber",
    ),
    "record_number": (
        "recordno", "recordnumber", "medicalrecord", "chartno", "chartnumber", "fallnummer",
        "fallzahl", "aktenzeichen", "patientennummer", "patientnumber", "patientno",
        "patientennr", "hospitalno", "hospitalnumber", "numerodossier", "cartella", "historiaclinica",
        "accession",
    ),
    "device_serial": (
        "serialno", "serialnumber", "serial", "seriennummer", "seriennr", "numerodeserie",
        "gerätenummer", "geratenummer", "macaddress", "deviceserial", "deviceuid", "inventar",
    ),
    "licence_number": (
        "licence", "license", "lizenz", "fuhrerschein", "führerschein", "certificate", "zertifikat",
        "passport", "reisepass", "ausweis", "permisdeconduire",
    ),
    "vehicle_number": (
        "vehicle", "fahrzeug", "numberplate", "licenseplate", "licenceplate", "kennzeichen",
        "immatriculation",
    ),
    "account_number": ("account", "kontonummer", "kontonr", "bankverbindung", "creditcard"),
    "email": ("email", "courriel", "mailadresse"),
    "fax": ("telefax", "faxnummer", "faxnumber"),
    "phone": ("telephone", "telefon", "phone", "mobile", "handynummer", "cellulare", "portable"),
    "biometric": ("biometric", "biometrisch", "fingerprint", "fingerabdruck", "voiceprint", "retina"),
    "photograph": ("photo", "picture", "lichtbild", "imagefile", "bilddatei", "selfie"),
    "url": ("website", "webseite", "homepage"),
    "ip_address": ("ipaddress", "ipadresse", "adresseip"),
    "date": (
        "birth", "geburt", "naissance", "nascita", "nacimiento", "datum", "fecha", "timestamp",
    ),
    "address": (
        "address", "adresse", "indirizzo", "direccion", "street", "strasse", "straße", "postcode",
        "postleitzahl", "postal", "wohnort", "zipcode", "county", "district", "gemeinde", "geocode",
        "latitude", "longitude",
    ),
    "name": (
        "surname", "forename", "firstname", "lastname", "givenname", "familyname", "fullname",
        "patientname", "nachname", "vorname", "familienname", "prenom", "cognome", "apellido",
        "nombre", "initials", "initialen", "initiales", "maidenname",
    ),
    "other_code": ("comment", "bemerkung", "kommentar", "remark", "freetext", "freitext", "notizen"),
}  # fmt: skip

_WORDS: dict[str, tuple[str, ...]] = {
    # kind: whole words, too short to be looked for inside others
    "social_security_number": ("ssn", "ahv", "svnr", "nino", "nir", "nss"),
    "record_number": ("mrn", "kis", "patnr", "fallnr"),
    "device_serial": ("sn", "uid", "imei"),
    "vehicle_number": ("vin", "kfz", "plate"),
    "account_number": ("iban", "konto", "bic"),
    "email": ("mail",),
    "fax": ("fax",),
    "phone": ("tel", "handy", "gsm", "natel"),
    "biometric": ("iris", "dna"),
    "photograph": ("foto", "face", "portrait"),
    "url": ("url", "web", "link"),
    "ip_address": ("ip",),
    "date": ("date", "dob", "gebdat", "dated"),
    "address": ("plz", "zip", "city", "town", "ort", "ville", "gps", "street"),
    "name": ("name", "names", "nom"),
    "other_code": ("note", "notes", "notiz"),
}

_MONTHS = (
    "jan|feb|fev|fév|mar|mär|mrz|apr|avr|may|mai|jun|jui|jul|aug|aoû|sep|oct|okt|nov|dec|dez|déc"
)
_YEAR = r"(?:19|20)\d{2}"
_FULL_DATE = re.compile(
    rf"(?<!\d)(?:{_YEAR}[-./_](?:0?[1-9]|1[0-2])[-./_](?:0?[1-9]|[12]\d|3[01])(?!\d)"
    rf"|(?:0?[1-9]|[12]\d|3[01])[-./_](?:0?[1-9]|[12]\d|3[01])[-./_]{_YEAR}(?!\d))"
)
_COMPACT_DATE = re.compile(
    rf"(?<!\d)(?:{_YEAR}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
    rf"|(?:0[1-9]|[12]\d|3[01])(?:0[1-9]|1[0-2]){_YEAR})(?!\d)"
)
_SHORT_DATE = re.compile(
    r"(?<![\d./-])(?:0?[1-9]|[12]\d|3[01])\s?[./-]\s?(?:0?[1-9]|[12]\d|3[01])\s?[./-]\s?\d{2}(?![\d./-])"
)
_WORD_DATE = re.compile(
    rf"(?i)(?<!\w)(?:\d{{1,2}}[. ]{{0,2}}(?:{_MONTHS})\w{{0,7}}|(?:{_MONTHS})\w{{0,7}}\.? \d{{1,2}}"
    r"(?:st|nd|rd|th)?)(?:,? ?'?\d{2,4})?(?!\w)"
)
_EMAIL = re.compile(r"[^\s@]{1,64}@[^\s@]{1,200}\.[^\s@.]{2,24}")
_URL = re.compile(r"(?i)\b(?:https?|ftp)://|\bwww\.|\b[a-z0-9-]{2,63}\.(?:com|org|net|info|eu)\b")
_US_SSN = re.compile(r"(?<!\d)\d{3}-\d{2}-\d{4}(?!\d)")
_CH_SSN = re.compile(r"(?<!\d)756[. ]?\d{4}[. ]?\d{4}[. ]?\d{2}(?!\d)")
_IBAN = re.compile(r"\b[A-Z]{2}\d{2}(?: ?[A-Z0-9]{4}){3,7}(?: ?[A-Z0-9]{1,3})?\b")
_VIN = re.compile(r"\b(?=[A-Z0-9]{0,16}\d)(?=\d{0,16}[A-Z])[A-HJ-NPR-Z0-9]{17}\b")
_MAC = re.compile(r"\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b")
_PHONE = re.compile(
    r"(?<![\w+])\+\d[\d ()./-]{6,24}\d"
    r"|(?<![\w.])\(?0\d{1,5}\)?[ /-]{1,3}\d[\d /-]{3,14}\d"
    r"|(?<![\w.])\(?\d{3}\)?[-. ]\d{3}[-. ]\d{4}(?!\w)"
)
_IPV4 = re.compile(r"(?<![\w.])(?:\d{1,3}\.){3}\d{1,3}(?![\w.])")
_IMAGE = re.compile(r"(?i)data:image/|\.(?:jpe?g|png|dcm|dicom|tiff?|bmp|heic|gif|webp)\b")
_TITLE = re.compile(r"(?i)(?<!\w)(?:dr|prof|herr|frau|mr|mrs|ms|mme|monsieur|signor|señor)a?\.? \w")
_TWO_WORDS = re.compile(r"(?<!\w)[^\W\d_a-z][^\W\d_A-Z'-]{1,30},? [^\W\d_a-z][^\W\d_]{1,30}(?!\w)")
_LONG_NUMBER = re.compile(r"(?<!\d)\d{6,}(?!\d)")
_NAME_ID = re.compile(r"[A-Z][a-z]{1,30}(?:[._-][A-Z][a-z]{1,30}){1,3}")
_DIGEST = re.compile(r"[0-9a-f]{64}|[A-Z2-7]{16}")
_PERSON_IDS = ("participant_id", "rater_id")
_NO_PERSON = ("site_id", "device_id")
_JOINTS = "._-"
_LABELS = frozenset(
    (
        *("pat", "patient", "patientin", "person", "proband", "probandin", "subject", "sujet"),
        *("case", "cas", "fall", "nr", "num", "number", "id", "code", "rater", "reader", "leser"),
        *("arzt", "site", "study", "left", "right", "links", "rechts", "gauche", "droite"),
        *("index", "middle", "ring", "little"),
    )
)
"""Words that ids are labelled with; an id of nothing else is no name."""
_NUMBERED = re.compile(r"[A-Za-z]{0,4}\d{1,6}|[A-Za-z]")


def _plain(text: str) -> str:
    """Lower case without accents, with a blank where a CamelCase word begins."""
    spaced = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", text)
    decomposed = unicodedata.normalize("NFKD", spaced)
    return "".join(c for c in decomposed if not unicodedata.combining(c)).casefold()


def header_kind(header: str) -> str:
    """Kind of identifier that a column name announces, or empty text."""
    words = [w for w in re.split(r"[\W_]+", _plain(header)) if w]
    joined = "".join(words)
    for kind, stems in _STEMS.items():
        if any(stem in joined for stem in stems):
            return kind
    for kind, short in _WORDS.items():
        if any(word in short for word in words):
            return kind
    return ""


def text_kind(value: object) -> str:
    """Kind of identifier that a free text holds, or empty text. Numbers hold none."""
    if not isinstance(value, str) or not value.strip() or _DIGEST.fullmatch(value):
        return ""
    text = unicodedata.normalize("NFKC", value)
    for kind, pattern in _IN_TEXT:
        if pattern.search(text):
            return _fax_or_phone(text) if kind == "phone" else kind
    if _is_address(text):
        return "ip_address"
    labelled = header_kind(text) if re.search(r"\d|:", text) else ""
    if labelled:
        return labelled
    if _TITLE.search(text) or _TWO_WORDS.search(text):
        return "name"
    return "record_number" if _LONG_NUMBER.search(text) else ""


_IN_TEXT: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("photograph", _IMAGE),
    ("email", _EMAIL),
    ("url", _URL),
    ("device_serial", _MAC),
    ("social_security_number", _US_SSN),
    ("social_security_number", _CH_SSN),
    ("account_number", _IBAN),
    ("vehicle_number", _VIN),
    ("date", _FULL_DATE),
    ("date", _SHORT_DATE),
    ("date", _WORD_DATE),
    ("date", _COMPACT_DATE),
    ("phone", _PHONE),
)


def _fax_or_phone(text: str) -> str:
    return "fax" if "fax" in text.casefold() else "phone"


def _is_address(text: str) -> bool:
    candidates = _IPV4.findall(text) + [w for w in text.split() if w.count(":") >= 2]
    for candidate in candidates:
        try:
            ipaddress.ip_address(candidate.strip("[](),;"))
        except ValueError:
            continue
        return True
    return False


def _bare(text: str, column: str, sites: Iterable[str]) -> list[str]:
    """An id without what was put in front of it: the site's code, and for persons numbered parts.

    What stands before an id (``S04-``) or, in a person's, behind it (``-r1``) must
    not hide what it spells out. Ids of sites and devices stay whole: their words
    are of places and of makes. If a site's code is not set apart by a joint, it may
    be the beginning of a word, and the whole id is one more form.
    """
    if column in _NO_PERSON:
        return [text]
    for site in sorted(sites, key=len, reverse=True):
        rest = text.removeprefix(site)
        if site and rest and rest != text:
            forms = [rest.lstrip(_JOINTS)] if rest[0] in _JOINTS else [rest, text]
            break
    else:
        forms = [text]
    return [*forms, *map(_unnumbered, forms)] if column in _PERSON_IDS else forms


def _unnumbered(text: str) -> str:
    """An id without parts at its ends such as ``S04``, ``P`` and ``r2``; never empty."""
    parts = [part for part in re.split(r"[._-]+", text) if part]
    first, last = 0, len(parts)
    while first < last - 1 and _NUMBERED.fullmatch(parts[first]):
        first += 1
    while last - 1 > first and _NUMBERED.fullmatch(parts[last - 1]):
        last -= 1
    return "-".join(parts[first:last]) if (first, last) != (0, len(parts)) else text


def id_kind(text: str, column: str, sites: Iterable[str] = ()) -> str:
    """Kind of identifier that an id spells out, or empty text.

    Bare numbers are allowed: the id becomes a code. A full date with its marks,
    a social security number, an address or a name in two words is not; nor, as
    the whole id of a person, eight digits that are a date. A code of `sites` in
    front of the id, and numbered parts at the ends of a person's id, do not count
    as part of it.
    """
    if "@" in text and _EMAIL.search(text):
        return "email"
    if _FULL_DATE.search(text):
        return "date"
    bare = _bare(text, column, sites)
    if column in _PERSON_IDS and any(map(_COMPACT_DATE.fullmatch, (text, *bare))):
        return "date"
    if any(_US_SSN.fullmatch(form) or _CH_SSN.fullmatch(form) for form in (text, *bare)):
        return "social_security_number"
    if _IPV4.fullmatch(text) and _is_address(text):
        return "ip_address"
    return "name" if any(map(_is_name, bare)) else ""


def _is_name(text: str) -> bool:
    words = re.split(r"[._-]+", text.casefold())
    return bool(_NAME_ID.fullmatch(text)) and not _LABELS.issuperset(words)
