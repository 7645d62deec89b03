"""What a report leaves out of people's text: local folders, credentials in addresses, stated secrets."""

from __future__ import annotations

import re

_URL_SECRET = re.compile(r"\b([a-z][a-z0-9+.-]{1,20}://)[^\s/@]{1,200}@")
_WINDOWS_PATH = re.compile(r"\b[A-Za-z]:\\(?:[^\s\\]{1,100}\\){0,40}")
_UNIX_PATH = re.compile(r"(?<![\w:/.])(?:~[\w.-]{0,40}/(?:[^\s/]{1,100}/){0,40}|/(?:[^\s/]{1,100}/){1,40})")
_SECRET_WORD = re.compile(r"(?i)\b(pass(?:word|wd)?|token|secret|api[-_ ]?key)(\s*[=:]\s*)\S{1,200}")


def scrub(text: str) -> str:
    """`text` without local directories (file names stay), credentials in addresses, and stated secrets."""
    text = _URL_SECRET.sub(r"\1", text)
    text = _SECRET_WORD.sub(r"\1\2(left out)", text)
    return _UNIX_PATH.sub("", _WINDOWS_PATH.sub("", text))
