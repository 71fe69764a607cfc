"""Finding a person's name in a typed text, whatever its case, accents, spacing, order and look-alike letters."""

from pipeline.shoot.names.mistyped import mistyped_in, slips_of
from pipeline.shoot.names.parts import hints_at, names_part
from pipeline.shoot.names.search import first_named, holds_any, perhaps_named
from pipeline.shoot.names.short import initials_replaced, short_form_in
from pipeline.shoot.names.spelled import LONGEST_NAME, NamePattern, is_part_of, name_pattern, replace_name, same_name

__all__ = ["LONGEST_NAME", "NamePattern", "first_named", "hints_at", "holds_any", "initials_replaced", "is_part_of",
           "mistyped_in", "name_pattern", "names_part", "perhaps_named", "replace_name", "same_name", "short_form_in",
           "slips_of"]  # fmt: skip
