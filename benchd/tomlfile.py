"""TOML files with errors that name file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from benchd.checkwords import check_words, unknown_words
from benchd.errors import UsageError
from benchd.tomlplaces import Places
from benchd.tomlwords import toml_words

M = TypeVar("M", bound=BaseModel)
MAX_SHOWN = 50
"""Problems in the message of an error; `problems` has them all."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file. `line` is 1-based, 0 where unknown; `key` is dotted, e.g. stage[2].limit."""

    file: str
    line: int
    key: str
    text: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {self.key}: {self.text}" if self.key else f"{where}: {self.text}"


class FileProblems(UsageError):
    """A file was read and is wrong; `problems` lists everything found, in file order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = sorted(problems, key=lambda p: p.line)
        lines = [str(p) for p in self.problems[:MAX_SHOWN]]
        if len(self.problems) > MAX_SHOWN:
            lines.append(f"{self.problems[0].file}: {len(self.problems)} problems; the first {MAX_SHOWN} are shown")
        super().__init__("\n".join(lines))


def dotted(path: Sequence[str | int]) -> str:
    """Return `("stage", 1, "limit")` as `stage[2].limit` (people count from one)."""
    out = ""
    for part in path:
        out += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if out else part)
    return out


def locate(text: str, path: Sequence[str | int]) -> int:
    """Return the 1-based line of the deepest part of `path` that is in TOML `text` (0: none)."""
    return Places(text).line(tuple(path))


def parse(text: str, file: str, model: type[BaseModel] | None = None) -> dict[str, Any]:
    """Parse TOML; raise FileProblems with the line of the mistake. `model`: what it shall become."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(found[1]) if found else text.count("\n") + 1
        lines = text.split("\n")
        why = f"not valid TOML: {toml_words(str(error), lines[line - 1] if line <= len(lines) else '')}"
        if twice := re.match(r"Cannot declare \((.+?),?\) twice", str(error)):
            keys = re.findall(r"['\"](.+?)['\"]", twice[1])
            name = ".".join(map(toml_key, keys))
            several = f"use double brackets, [[{name}]], where there may be several, or put these keys under the first"
            how = several if model is None or _repeats(model, keys) else "put these keys under the first"
            why = f"[{name}] stands here for the second time: {how}"
        raise FileProblems([Problem(file, line, "", why)]) from None
    except ValueError:  # an integer longer than Python reads
        digits = re.search(r"[0-9_]{1000,}", text)
        line = text.count("\n", 0, digits.start()) + 1 if digits else 0
        raise FileProblems([Problem(file, line, "", "the number has more digits than are read")]) from None
    except RecursionError:
        raise FileProblems([Problem(file, 0, "", "arrays or tables are nested too deeply")]) from None


def problems_of(error: ValidationError, text: str, file: str, model: type[BaseModel]) -> list[Problem]:
    """Return what `model` found wrong, as problems located in `text`."""
    out = []
    places = Places(text)
    data = tomllib.loads(text)
    for part in error.errors(include_url=False):
        path = _in_file(part["loc"], data, part["type"] == "missing")
        message = check_words(part)
        if part["type"] == "extra_forbidden" and path:
            message = unknown_words(str(path[-1]), _keys(_annotation(model, path[:-1])))
        elif part["type"] == "list_type" and (isinstance(part["input"], dict) or _keys(_annotation(model, [*path, 0]))):
            name = ".".join(toml_key(key) for key in path if isinstance(key, str))
            message = f"use double brackets: [[{name}]]"
        out.append(Problem(file, places.line(tuple(path)), dotted(path), message))
    return out


def _models(hint: Any) -> list[type[BaseModel]]:
    """Return the models that a type hint holds directly: itself, or members of a union."""
    if isinstance(hint, type) and not get_args(hint):
        return [hint] if issubclass(hint, BaseModel) else []
    if get_origin(hint) in (list, tuple, dict):
        return []
    return [model for one in get_args(hint) for model in _models(one)]


def _annotation(hint: Any, path: Sequence[str | int]) -> Any:
    """Return the type hint of what stands at `path` below a model, or None where none is known."""
    for part in path:
        if isinstance(part, int):
            lists = [one for one in (hint, *get_args(hint)) if get_origin(one) in (list, tuple)]
            hint = get_args(lists[0])[0] if lists else None
            continue
        fields = [info for model in _models(hint) for key, info in _fields(model) if key == part]
        hint = fields[0].annotation if fields else None
    return hint


def _repeats(model: type[BaseModel], keys: Sequence[str]) -> bool:
    """Whether there may be several of a table."""
    path: list[str | int] = []
    for key in keys:
        path.append(key)
        hint = _annotation(model, path)
        if several := any(get_origin(one) in (list, tuple) for one in (hint, *get_args(hint))):
            path.append(0)
    return several


def _fields(model: type[BaseModel]) -> list[tuple[str, Any]]:
    return [(info.alias or name, info) for name, info in model.model_fields.items()]


def _keys(hint: Any) -> list[str]:
    return [key for model in _models(hint) for key, _ in _fields(model)]


def misplaced(title: str, where: tuple[str | int, ...], text: str) -> ValidationError:
    """Return an error that names the key: one that a model's own check raises would name the model only."""
    what = PydanticCustomError("value_error", "{text}", {"text": text})
    return ValidationError.from_exception_data(title, [InitErrorDetails(type=what, loc=where, input=None)])


def matching(pattern: str, words: str) -> AfterValidator:
    """Return a check of a text against all of a pattern, with `words` for what may be written."""

    def check(value: str) -> str:
        if not re.fullmatch(pattern, value):
            raise ValueError(f"{value[:80]!r}: {words}")
        return value

    return AfterValidator(check)


def _in_file(path: Sequence[str | int], data: Any, missing: bool) -> list[str | int]:
    """Return the part of an error's path that is in the file: the rest names a type within a union."""
    out: list[str | int] = []
    for part in path:
        inside = part in data if isinstance(data, dict) else isinstance(data, list) and isinstance(part, int)
        if not inside and isinstance(part, str) and part.endswith(")"):
            continue
        if not inside:
            return [*out, part] if missing else out
        out.append(part)
        data = data[part] if isinstance(data, dict) or (isinstance(part, int) and part < len(data)) else None
    return out


def validate(model: type[M], text: str, file: str) -> M:
    """Parse and validate `text`; raise FileProblems listing every error with file, line and key."""
    data = parse(text, file, model)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise FileProblems(problems_of(error, text, file, model)) from None


def toml_value(value: object) -> str:
    """Return `value` (text, number, list, mapping) as TOML in one line. Half surrogate pairs become U+FFFD."""
    return _item(value).as_string()


def with_values(text: str, table: str, values: Mapping[str, Any]) -> str:
    """Return the text of a TOML file with keys of a table set, or taken out (None); all else stays, comments too."""
    import tomlkit

    document = tomlkit.parse(text)
    for key, value in values.items():
        if value is not None:
            document.setdefault(table, tomlkit.table())[key] = value
        elif key in document.get(table, {}):
            document[table].remove(key)  # type: ignore[union-attr]  # a table
    return tomlkit.dumps(document)


def toml_key(name: str) -> str:
    """Return `name` as a TOML key, quoted where it must be."""
    import tomlkit

    return tomlkit.key(name).as_string()


def _item(value: object) -> Any:
    import tomlkit

    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        for key, one in value.items():
            table.add(tomlkit.key(key), _item(one))
        return table
    if isinstance(value, list | tuple):
        array = tomlkit.array()
        array.extend(_item(one) for one in value)
        return array
    if isinstance(value, str):
        value = re.sub("[\ud800-\udfff]", "\ufffd", value)
    elif isinstance(value, float):
        value = int(value) if value.is_integer() else float(f"{value:.12g}")
    return tomlkit.item(value)
