"""Messages in, in batches: read, refused by name, applied. One message that cannot be stored keeps no other back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchd.archive.apply import Applier, Batch
from benchd.archive.reading import Heard, LiveTold, Refusal, StatusTold, read
from benchd.errors import ExternalError

_ITS_OWN_FAULT = {"DataError", "IntegrityError", "OverflowError", "UsageError"}
"""Kinds of error that a message causes; any other is the database's or ours, and the message is kept."""

Message = tuple[str, bytes]
"""Topic and payload."""


@dataclass(slots=True)
class Taken:
    """What became of messages; `live` is for memory only. `refused` counts by reason."""

    events: int = 0
    changed: int = 0
    live: list[LiveTold] = field(default_factory=list)
    statuses: list[StatusTold] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    last_refused: tuple[str, Refusal] | None = None


class Intake:
    """Takes messages. Raises ExternalError where the database fails: then none of them is in it. One thread only."""

    def __init__(self, applier: Applier, prefix: str) -> None:
        self._applier = applier
        self._prefix = prefix

    def take(self, messages: Sequence[Message]) -> Taken:
        """Take messages, all in one transaction where it can be."""
        batch, taken = self._batch(messages)
        try:
            self._apply(batch, taken)
        except ExternalError:
            raise
        except Exception as error:
            if not _own_fault(error):
                raise
            self._one_by_one(batch, taken)
        for topic, refusal in batch.refused:
            taken.refused[refusal.reason] += 1
            taken.last_refused = (topic, refusal)
        return taken

    def _batch(self, messages: Sequence[Message]) -> tuple[Batch, Taken]:
        batch, taken = Batch(), Taken()
        for topic, payload in messages:
            told = read(self._prefix, topic, payload)
            if isinstance(told, Heard | StatusTold) and self._applier.share(told.bench) is None:
                told = Refusal("too-many-benches", "the archive takes no more benches")
            match told:
                case Refusal():
                    batch.refused.append((topic, told))
                    if told.heard is not None and self._applier.share(told.heard.bench) is not None:
                        batch.heard.append(told.heard)
                case Heard():
                    batch.heard.append(told)
                case StatusTold():
                    batch.statuses.append(told)
                    taken.statuses.append(told)
                case LiveTold():
                    taken.live.append(told)
        return batch, taken

    def _apply(self, batch: Batch, taken: Taken) -> None:
        if len(batch):
            applied = self._applier.apply(batch)
            taken.events += applied.events
            taken.changed += applied.changed

    def _one_by_one(self, batch: Batch, taken: Taken) -> None:
        """Each in a transaction of its own: what the database cannot store is refused, the rest is taken."""
        for one in batch.heard:
            try:
                self._apply(Batch(heard=[one]), taken)
            except ExternalError:
                raise
            except Exception as error:
                if not _own_fault(error):
                    raise
                self._apply(Batch(heard=[replace(one, what=None)]), taken)  # it came, and is not asked for again
                words = str(error).splitlines()[0] if str(error) else type(error).__name__
                batch.refused.append((one.bench, Refusal("not-storable", words)))
        self._apply(Batch(statuses=batch.statuses, refused=batch.refused), taken)


def _own_fault(error: BaseException) -> bool:
    return any(kind.__name__ in _ITS_OWN_FAULT for kind in type(error).__mro__)
