"""What the library that checks models finds wrong, in words for people: its own never reach them. Pure."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

LIST = "use a list: values in brackets, with commas between"
TABLE = "use a table: keys with values, not one value"
WHOLE = "use a whole number, without quotes"
NUMBER = "use a number, without quotes"
TRUTH = "use true or false, without quotes"
TEXT = "use text: put it in quotes"
WORDS = {
    "missing": "is missing",
    "extra_forbidden": "unknown key",
    "list_type": LIST, "tuple_type": LIST, "set_type": LIST, "frozen_set_type": LIST, "iterable_type": LIST,
    "dict_type": TABLE, "mapping_type": TABLE, "model_type": TABLE, "model_attributes_type": TABLE,
    "dataclass_type": TABLE,
    "string_type": TEXT, "string_unicode": TEXT, "bytes_type": TEXT,
    "string_too_short": "must have {min_length} characters or more",
    "string_too_long": "must have at most {max_length} characters",
    "string_pattern_mismatch": "is not of the form that is needed: {pattern}",
    "int_type": WHOLE, "int_parsing": WHOLE, "int_parsing_size": "the number is too large",
    "int_from_float": "use a whole number",
    "float_type": NUMBER, "float_parsing": NUMBER, "finite_number": "use a number that is not infinite",
    "bool_type": TRUTH, "bool_parsing": TRUTH,
    "greater_than": "must be more than {gt}", "greater_than_equal": "must be {ge} or more",
    "less_than": "must be less than {lt}", "less_than_equal": "must be {le} or less",
    "multiple_of": "must be a multiple of {multiple_of}",
    "too_short": "must have {min_length} or more, not {actual_length}",
    "too_long": "must have at most {max_length}, not {actual_length}",
    "literal_error": "must be {expected}", "enum": "must be {expected}",
    "none_required": "must be left out",
    "json_invalid": "is not JSON", "json_type": "is not JSON",
    "union_tag_invalid": "must be one of {expected_tags}", "union_tag_not_found": "lacks the key {discriminator}",
    "date_type": "use a date, like 1991-05-17", "date_parsing": "use a date, like 1991-05-17",
    "datetime_type": "use a date and time, like 1991-05-17T20:15:00",
    "datetime_parsing": "use a date and time, like 1991-05-17T20:15:00",
    "datetime_from_date_parsing": "use a date and time, like 1991-05-17T20:15:00",
}  # fmt: skip
"""Kind of error, and what is said of it; in braces what the library tells beside it."""
OTHER = "cannot be used like this; firmware-notes/contract.md says what may stand here"
OURS = ("value_error", "assertion_error")
"""Kinds whose text was written here: a check of our own raised it."""
SHOWN = 12


def check_words(error: Mapping[str, Any]) -> str:
    """Return one error of a `ValidationError.errors()` in words."""
    if error["type"] in OURS:
        return str(error["msg"]).removeprefix("Value error, ").removeprefix("Assertion failed, ")
    if error["type"] == "literal_error" and "'" not in str(error["ctx"]["expected"]) and _digits(error.get("input")):
        return f"must be {error['ctx']['expected']}, without quotes"
    if error["type"] == "string_too_short" and error["ctx"]["min_length"] == 1:
        return "must not be empty"
    if error["type"] == "too_short" and error["ctx"]["min_length"] == 1:
        return "at least one is needed"
    told = {
        name: f"{value:g}" if isinstance(value, float) else value for name, value in (error.get("ctx") or {}).items()
    }
    return WORDS.get(error["type"], OTHER).format_map(told)


def _digits(value: object) -> bool:
    return isinstance(value, str) and value.isdecimal()


def unknown_words(name: str, known: Sequence[str]) -> str:
    """Return what to say of a key that is not known where `known` are: the nearest one, or those there are."""
    said = WORDS["extra_forbidden"]
    if near := difflib.get_close_matches(name.casefold(), known, 1, 0.6):
        return f"{said}: is {near[0]} meant?"
    if not known or len(known) > SHOWN:
        return said
    return f"{said}; known here: {', '.join(known)}"


def first_words(error: Any) -> str:
    """Return where and what the first error of a `ValidationError` is, in one line."""
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    return f"{where}: {check_words(first)}" if where else check_words(first)
