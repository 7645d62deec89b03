"""What the parser of TOML finds wrong, in words for people, by its message and the line that it names. Pure."""

from __future__ import annotations

import re

STARTS = "begin the line with a key (name = value), a [table], or # for a comment"
STRAY = "something is left over behind the value: one key a line, and # before a comment"
CLOSE = "a bracket is not closed"
QUOTE = "a quote is not closed on its line"
TWICE = "this key stands here for the second time: take one of them out"
WORDS = {
    "Invalid statement": STARTS,
    "Invalid initial character for a key part": STARTS,
    "Expected '='": "an equals sign is needed between a key and its value: key = value",
    "Expected ']'": CLOSE,
    "Unclosed array": CLOSE,
    "Unclosed inline table": "a brace is not closed",
    "Expected newline or end of document": STRAY,
    "Cannot overwrite a value": TWICE,
    "Duplicate inline table key": TWICE,
    "Cannot redefine namespace": TWICE,
    "Cannot mutate immutable namespace": TWICE,
    "Unescaped '\\' in a string": "a backslash in double quotes begins an escape: use single quotes, or \\\\",
    "Illegal character '\\n'": QUOTE,
    "Unterminated string": QUOTE,
    'Expected "\'"': QUOTE,
    "Expected '\"'": QUOTE,
    "Found invalid character": "it holds a character that may not stand here; type the line anew",
    "Illegal character": "it holds a character that may not stand here; type the line anew",
    "Invalid date or datetime": "there is no such date",
    "Invalid hex value": "an escape in double quotes is not whole: use single quotes",
    "Escaped character is not a Unicode scalar value": "an escape in double quotes is no character",
}
OTHER = "this line cannot be read"
CURLY = "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"
EXAMPLES = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false", "off": "false"}


def toml_words(message: str, line: str) -> str:
    """Return what is wrong with `line`, of which the parser says `message`, and what to write."""
    if any(mark in line for mark in CURLY) and ("Invalid" in message or "Illegal" in message):
        return 'use straight quotes: "..."'
    if message.startswith("Invalid value"):
        return _value(line)
    return next((words for begin, words in WORDS.items() if message.startswith(begin)), OTHER)


def _value(line: str) -> str:
    key, equals, rest = line.partition("=")
    given = rest.partition("#")[0].strip()
    key = key.strip()[:40]
    if not equals or not re.fullmatch(r"[\w.\"'-]+", key):
        return "a value cannot be read: text goes in quotes"
    if not given:
        return f"a value is missing behind {key} ="
    if given.lower() in EXAMPLES:
        return f"use true or false, in small letters: {key} = {EXAMPLES[given.lower()]}"
    if re.match(r"[\"'\[{]", given):
        return f"the value of {key} cannot be read: check its quotes, brackets and commas"
    return f'put text in quotes: {key} = "{given[:40]}"'
