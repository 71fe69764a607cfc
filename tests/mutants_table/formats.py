"""Bytes, texts and the shoot folder: formats/, shoot/, textfile/, captions/; limits by 10 % or by one."""

from __future__ import annotations

from tests.mutants_table import mutant

_HEIF = ("formats/test_heif.py",)
_DECLARED = ("formats/test_declared.py",)
_TERMINAL = ("cli/test_terminal.py",)
_NARROW = (
    "cli/test_terminal.py::test_a_long_name_in_a_narrow_table_is_whole",
    "cli/test_terminal.py::test_headings_give_way_before_cells",
)
_TIFF = "formats/tiff_ifd.py"
_BOXES = "formats/bmff.py"
_JPEG = "formats/jpeg_segments.py"
_JPEG_DATA = ("formats/damage/test_jpeg_data.py",)
_SOURCE = "formats/source.py"
_EXIF = "formats/exif.py"
_IIM = "formats/metadata/iim.py"
_CARRIED = "formats/metadata/carried.py"
_BLOCKS = "formats/metadata/blocks.py"
_BURSTS = "shoot/bursts.py"
_NAMES = "shoot/names/parts.py"
_CONTAINERS = ("formats/test_containers.py",)
_EXIF_TESTS = ("formats/test_exif.py",)
_TEXTS = ("formats/metadata/test_carried.py",)
_SHARED = ("formats/metadata/test_credits.py",)
_EMBEDDED = ("formats/metadata/test_embed.py",)
_PACKETS = ("formats/metadata/test_xmp_read.py",)
_GROUPS = ("shoot/test_bursts.py",)
_FORMS = ("shoot/test_names.py",)

_LOST, _LOST_TEST = "formats/damage/lost_blocks.py", "formats/damage/test_lost_blocks.py"

MUTANTS = [
    mutant(_LOST, "return _stands_twice(sums) or", "return", _LOST_TEST),
    mutant(_LOST, "not padded and _is_lost", "_is_lost", _LOST_TEST),
    mutant(_LOST, "all(some) and len(some) <= _SERIES", "all(some)", _LOST_TEST),
    mutant(_LOST, "all(some) and len(some) <= _SERIES", "any(some) and len(some) <= _SERIES", _LOST_TEST),
    mutant(_LOST, "begin > 0 and end < len(octet)", "begin > 0", _LOST_TEST),
    mutant(_LOST, ">= 0 and begin > 0 and end", ">= 0 and end", _LOST_TEST),
    mutant(_LOST, "(last[begin - 1], before[begin - 1]) != (of, of)", "last[begin - 1] != of", _LOST_TEST),
    mutant(_LOST, "(last[begin - 1], before[begin - 1]) != (of, of)", "True", _LOST_TEST),
    mutant(_LOST, "of != first[end] and ", "", _LOST_TEST),
    mutant(_LOST, "tolist())) == _PAGE for", "tolist())) > 0 for", _LOST_TEST),
    mutant(_LOST, "tiled or size < end - begin", "tiled", _LOST_TEST),
    mutant(_LOST, "times[which[order]] <= _SERIES", "times[which[order]] > 0", _LOST_TEST),
    mutant(_LOST, "-(-begin // _SECTOR) * _SECTOR", "begin", _LOST_TEST),
    mutant(_LOST, "3 * source.length // 8", "0", _LOST_TEST),
    mutant(
        "steps/decode.py",
        "if options.sense and has_lost_blocks",
        "if False and has_lost_blocks",
        "steps/test_decode.py",
    ),
    mutant("formats/damage/jpeg_data.py", "or (left and int(left[1]) > SPARE and", "or (False and", *_JPEG_DATA),
    mutant("formats/damage/jpeg_data.py", " and not _is_filled_up(data, int(left[1]))", "", *_JPEG_DATA),
    mutant("formats/damage/jpeg_data.py", "if _SPOILT.match(said) or (left", "if (left", *_JPEG_DATA),
    mutant("formats/damage/jpeg_data.py", 'is there" if left else None', 'is there" if False else None', *_JPEG_DATA),
    mutant("formats/damage/jpeg_data.py", "_warning(_without_headers(data))", "_warning(data)", *_JPEG_DATA),
    mutant("formats/damage/jpeg_data.py", "0xDB, 0xDD, 0xEE}", "0xDB, 0xEE}", *_JPEG_DATA),
    mutant(
        "formats/pictures.py", " and (said := check_jpeg_data(", " and False and (said := check_jpeg_data(", *_JPEG_DATA
    ),
    mutant("formats/pictures.py", 'in ("JPEG", "MPO") and (said', 'in ("JPEG",) and (said', *_JPEG_DATA),
    # containers
    mutant(_SOURCE, "min(size, self.length - at)", "size", *_CONTAINERS),
    mutant(_SOURCE, "min(length, self.length - at)", "length", *_CONTAINERS),
    mutant(_SOURCE, "if at < 0 or at >= self.length:", "if at >= self.length:", *_CONTAINERS),
    mutant(_TIFF, "MAXIMUM_ENTRIES = 512", "MAXIMUM_ENTRIES = 513", *_CONTAINERS),
    mutant(_TIFF, "MAXIMUM_DIRECTORIES = 8", "MAXIMUM_DIRECTORIES = 9", *_CONTAINERS),
    mutant(_TIFF, "MAXIMUM_TEXT = 1024", "MAXIMUM_TEXT = 1025", *_CONTAINERS),
    mutant(_TIFF, "and following not in visited", "", *_CONTAINERS),
    mutant(_TIFF, "tags.fields.setdefault(*every[-1])", "tags.fields.__setitem__(*every[-1])", *_CONTAINERS),
    mutant(_TIFF, "if size <= 4 else value", "if size < 4 else value", *_EXIF_TESTS),
    mutant(_TIFF, "self.fields = other.fields | self.fields", "self.fields |= other.fields", *_EXIF_TESTS),
    mutant(_BOXES, "MAXIMUM_BOXES = 4096", "MAXIMUM_BOXES = 4097", *_CONTAINERS),
    mutant(_BOXES, "if size < begin:", "if size < 8:", *_CONTAINERS),
    mutant(_BOXES, "elif size == 0:", "elif False:", *_CONTAINERS),
    mutant(_JPEG, "MAXIMUM_SEGMENTS = 4096", "MAXIMUM_SEGMENTS = 4097", *_CONTAINERS),
    mutant(_JPEG, "MAXIMUM_FILL = 4096", "MAXIMUM_FILL = 4097", *_CONTAINERS),
    mutant(_JPEG, "_MAXIMUM = 65_533", "_MAXIMUM = 65_534", *_CONTAINERS),
    mutant(_JPEG, "or marker < 0xC0 or", "or", *_CONTAINERS),
    mutant(_JPEG, "or length < 2:", "or length < 1:", *_CONTAINERS),
    mutant(_JPEG, "if at + 2 + length > source.length:", "if False:", *_CONTAINERS),
    mutant(_EXIF, "_MOST_CHUNKS = 4096", "_MOST_CHUNKS = 4097", *_CONTAINERS),
    mutant(_EXIF, "if last and name == last:", "if False:", *_CONTAINERS),
    mutant(_EXIF, "digits[:6].ljust(6", "digits[:6].rjust(6", *_EXIF_TESTS),
    mutant(_EXIF, "iso >= 65535", "iso > 65535", *_EXIF_TESTS),
    mutant(_EXIF, 'if kind == "picture" and not oriented:', 'if kind == "picture":', *_EXIF_TESTS),
    mutant(_EXIF, "stamp.year < 1980", "stamp.year < 1960", *_EXIF_TESTS),
    mutant("formats/declared.py", "height=most(_LENGTH) * most(_DEPTH)", "height=most(_LENGTH)", *_DECLARED),
    mutant("formats/declared.py", "refuse_too_large(tile, 1, 2 * wide)", "pass", *_DECLARED),
    mutant("formats/declared.py", "if samples > LIMITS.samples:", "if False:", *_DECLARED),
    mutant("formats/declared.py", "if sum(counts) > LIMITS.overlap * length + LIMITS.piece:", "if False:", *_DECLARED),
    mutant("formats/declared.py", "if made > expected + LIMITS.piece:", "if False:", *_DECLARED),
    mutant("formats/declared.py", "if scans > LIMITS.scans:", "if False:", *_DECLARED),
    mutant("formats/declared.py", "if marker == 0xD9:", "if False:", *_DECLARED),
    mutant("imaging/memory.py", "if held * pixels + file > MEMORY.decode:", "if False:", *_DECLARED),
    mutant("imaging/memory.py", "decode: int = 2_500_000_000", "decode: int = 1_500_000_000", *_DECLARED),
    mutant(
        "imaging/raw/mosaic.py",
        "refuse_too_large(raw.sizes.raw_width, raw.sizes.raw_height, MEMORY.raw)",
        "pass",
        *_DECLARED,
    ),
    # the terminal
    mutant("cli/console.py", "out_console.print(clean(text)", "out_console.print(text", *_TERMINAL),
    mutant("cli/console.py", "err_console.print(clean(text)", "err_console.print(text", *_TERMINAL),
    mutant("cli/console.py", "error.message = clean(error.message)", "error.message = error.message", *_TERMINAL),
    mutant("cli/console.py", '_ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")', '_ACTING = ("Cc",)', *_TERMINAL),
    mutant("cli/console.py", "if len(text) > _LONGEST:", "if False:", *_TERMINAL),
    mutant("cli/console.py", "if len(texts) > len(shown):", "if False:", *_TERMINAL),
    mutant("cli/console.py", "os.dup2(null, number)", "pass", *_TERMINAL),
    mutant(
        "cli/look/tables.py", "[clean(cell) for cell", "[cell for cell", f"{_TERMINAL[0]}::test_a_shoot_that_means_harm"
    ),
    mutant("cli/look/tables.py", ', overflow="fold"', "", *_NARROW),
    mutant("cli/look/tables.py", "if columns[k] not in _WHOLE", "if True", *_NARROW),
    mutant("cli/look/tables.py", "in (2, 3, 9, 3)", "in (1,)", *_NARROW),
    mutant("cli/recipes.py", "did_you_mean(path.name, beside) or ", "", "cli/test_recipes.py"),
    mutant("formats/metadata/search_blocks.py", "if self._left >= 0:", "if True:", *_DECLARED),
    mutant("formats/metadata/search_blocks.py", "if self._unknown >= 0:", "if True:", *_DECLARED),
    mutant("formats/pictures.py", 'index.startswith("R03")', 'index.startswith("R98")', "formats/test_pictures.py"),
    # texts in files
    mutant(_IIM, "120: 2000", "120: 2001", "formats/metadata/test_standard.py"),
    mutant(_IIM, "105: 256", "105: 255", "formats/metadata/test_standard.py"),
    mutant("formats/metadata/xmp.py", "XMP_MAXIMUM = 65_502", "XMP_MAXIMUM = 65_503", "formats/metadata/test_embed.py"),
    mutant(
        "formats/metadata/model.py",
        "ALT_TEXT_MAXIMUM = 250",
        "ALT_TEXT_MAXIMUM = 251",
        "formats/metadata/test_standard.py",
    ),
    mutant("formats/metadata/xmp_read.py", "DEEPEST = 40", "DEEPEST = 41", *_TEXTS),
    mutant(_CARRIED, "_MOST, _MOST_KEYWORDS = 6000, 200", "_MOST, _MOST_KEYWORDS = 6001, 200", *_TEXTS),
    mutant(_CARRIED, "_MOST, _MOST_KEYWORDS = 6000, 200", "_MOST, _MOST_KEYWORDS = 6000, 201", *_TEXTS),
    mutant(_CARRIED, '{"job_title": "creator", "contact": "creator", ', "{", *_TEXTS),
    mutant(_BLOCKS, "_MOST = 1 << 20", "_MOST = 1_153_434", *_TEXTS),
    mutant("formats/metadata/credits.py", 'if "@" in text:', 'if "@" not in text:', "formats/metadata/test_credits.py"),
    mutant(
        "formats/metadata/exif.py",
        "m.exposure_time, 1_000_000",
        "m.exposure_time, 900_000",
        "formats/metadata/test_embed.py",
    ),
    mutant("formats/metadata/exif.py", "m.f_number, 100", "m.f_number, 90", "formats/metadata/test_embed.py"),
    mutant("formats/metadata/exif.py", "m.focal_length, 100", "m.focal_length, 90", "formats/metadata/test_embed.py"),
    # bursts
    mutant(_BURSTS, "gap: float = 0.6", "gap: float = 0.66", *_GROUPS),
    mutant(_BURSTS, "gap: float = 0.6", "gap: float = 0.54", *_GROUPS),
    mutant(_BURSTS, "longest: float = 1.5", "longest: float = 1.65", *_GROUPS),
    mutant(_BURSTS, "longest: float = 1.5", "longest: float = 1.35", *_GROUPS),
    mutant(_BURSTS, "dropped: float = 2.5", "dropped: float = 2.75", *_GROUPS),
    mutant(_BURSTS, "dropped: float = 2.5", "dropped: float = 2.25", *_GROUPS),
    mutant(_BURSTS, "zoom: float = 0.02", "zoom: float = 0.022", *_GROUPS),
    mutant(_BURSTS, "zoom: float = 0.02", "zoom: float = 0.018", *_GROUPS),
    mutant(_BURSTS, "whole_seconds: float = 1.0", "whole_seconds: float = 1.1", *_GROUPS),
    mutant(_BURSTS, "whole_seconds: float = 1.0", "whole_seconds: float = 0.9", *_GROUPS),
    mutant(_BURSTS, "median(pauses)", "pauses[-1]", *_GROUPS),
    mutant(_BURSTS, "burst[-1].exif, burst[0].exif", "burst[-1].exif, burst[-1].exif", *_GROUPS),
    # forms of names
    *(
        mutant(_NAMES, f"    {field}: int = {value}", f"    {field}: int = {other}", *_FORMS)
        for field, value in (
            ("part", 3),
            ("ending", 4),
            ("small", 6),
            ("stem", 3),
            ("changing", 2),
            ("short", 3),
            ("short_ending", 2),
            ("inside", 3),
            ("apart", 4),
        )
        for other in (value - 1, value + 1)
    ),
    # what a person wrote
    mutant("shoot/sidecar.py", "SIZE_LIMIT = 10_000_000", "SIZE_LIMIT = 11_000_000", "shoot/test_sidecar.py"),
    mutant("textfile/yamlfile.py", "SIZE_LIMIT = 1_000_000", "SIZE_LIMIT = 1_100_000", "textfile/test_yamlfile.py"),
    mutant("textfile/yamlfile.py", "_DEPTH_LIMIT = 50", "_DEPTH_LIMIT = 51", "textfile/test_yamlfile.py"),
    mutant("textfile/yamlfile.py", "_DIGITS_LIMIT = 30", "_DIGITS_LIMIT = 31", "textfile/test_yamlfile.py"),
    mutant("textfile/messages.py", "_QUOTED = 40", "_QUOTED = 41", "textfile/test_messages.py"),
    mutant("textfile/yamlfile.py", "_PROBLEM_LIMIT = 50", "_PROBLEM_LIMIT = 51", "textfile/test_yamlfile.py"),
    mutant("textfile/tables.py", "SIZE_LIMIT = 10_000_000", "SIZE_LIMIT = 11_000_000", "textfile/test_tables.py"),
    mutant("textfile/messages.py", "_CLOSE = 0.6", "_CLOSE = 0.66", "textfile/test_messages.py"),
    mutant("textfile/messages.py", "_CLOSE = 0.6", "_CLOSE = 0.54", "textfile/test_messages.py"),
    mutant("captions/template.py", "FILE_LIMIT = 100_000", "FILE_LIMIT = 110_000", "captions/test_template.py"),
    mutant("shoot/clocks/dates.py", "timedelta(days=3)", "timedelta(days=3.3)", "shoot/clocks/test_dates.py"),
    mutant("shoot/clocks/dates.py", "timedelta(days=3)", "timedelta(days=2.7)", "shoot/clocks/test_dates.py"),
    # seen by no test when they were first tried
    mutant(_CARRIED, "if size & 0x8000 or len(value) < size:", "if len(value) < size:", *_TEXTS),
    mutant(_CARRIED, 'unicode = value == b"\\x1b%G"', "unicode = True", *_TEXTS),
    mutant(_CARRIED, "if sum(map(len, contact.iptc().values())) > room:", "if False:", *_TEXTS),
    mutant(_BLOCKS, "resources.iim or blocks.iim, ", "blocks.iim or resources.iim, ", *_TEXTS),
    mutant(_BLOCKS, " and body.read(0, 16) == XMP_BOX", "", *_TEXTS),
    mutant("formats/metadata/model.py", "not -840 <= self.utc_offset", "not -720 <= self.utc_offset", *_SHARED),
    mutant("formats/metadata/model.py", "tuple(dict.fromkeys(entry for", "tuple((entry for", *_SHARED),
    mutant("formats/metadata/exif.py", "min(round(m.iso), 65535)", "round(m.iso)", *_EMBEDDED),
    mutant("formats/metadata/xmp_read.py", "found.setdefault(name, value)", "found[name] = value", *_PACKETS),
    mutant(_EXIF, "exif.orientation if oriented else", "exif.orientation if True else", "formats/test_exif_libraw.py"),
    mutant("shoot/scan.py", "if not hidden and frame_kind(there):", "if frame_kind(there):", "shoot/test_scan.py"),
    mutant("shoot/eventfile.py", "return value.upper()", "return value", "shoot/test_facts.py"),
    mutant("shoot/eventfile.py", "and 0 <= v <= 1]", "and v <= 1]", "shoot/test_facts.py"),
    mutant("shoot/roster.py", '.removeprefix("#")', "", "shoot/test_facts_players.py"),
    mutant("textfile/yamlfile.py", 'text.casefold() == "true"', 'text == "true"', "textfile/test_yamlfile.py"),
    mutant("captions/language.py", 'not in (None, "BR")', 'not in ("BR",)', "captions/test_language.py"),
    mutant("captions/language.py", '{"no": "nb"}', "{}", "captions/test_language.py"),
    mutant("captions/template.py", "autoescape=False", "autoescape=True", "captions/test_template.py"),
    mutant("captions/people.py", "if name or unnamed:", "if name:", "captions/test_template.py"),
    # HEIC, and what is no photograph
    mutant("formats/exif.py", "exif = replace(exif, orientation=1)", "pass", *_HEIF),
    mutant("formats/heif.py", "rows[:, : width * len(letters)]", "rows[:, -width * len(letters) :]", *_HEIF),
    mutant("formats/heif.py", 'values >>= 16 - said["bits"]', "pass", *_HEIF),
    mutant("formats/heif.py", "if not profile and (hdr", "if False and (hdr", *_HEIF),
    mutant("formats/heif.py", 'refuse_too_large(said["size"][0], said["size"][1], HELD)', "pass", *_HEIF),
    mutant(
        "formats/pictures.py",
        "return _matrix_of(encoded, encoded.matrix)",
        "return _srgb_of(encoded)",
        *_HEIF,
    ),
    mutant("shoot/kinds.py", "(path.parent, folded(path.stem)) in stems", "False", "shoot/test_kinds.py"),
    mutant("shoot/kinds.py", "not in HEIC or heif.readable()", "not in HEIC", "shoot/test_kinds.py"),
]
