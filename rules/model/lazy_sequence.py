"""Entries that are made when somebody reads them: how a decision came about is long to write, and seldom asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, KeysView, Sequence
from types import GenericAlias
from typing import Any, Generic, TypeVar, get_args, overload

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

Entry = TypeVar("Entry")


class LazySequence(Sequence[Entry], Generic[Entry]):
    """A sequence like the tuple of its entries, each of which is made when it is first read, and kept."""

    def __init__(self, names: Iterable[str], make: Callable[[str], Entry]) -> None:
        """One entry for each of ``names``, in their order, by ``make``, which must always make the same of the same name."""
        self._made: dict[str, Entry | None] = dict.fromkeys(names)
        self._make = make

    @property
    def names(self) -> KeysView[str]:
        """The names of the entries, in order; none is made for it."""
        return self._made.keys()

    def named(self, name: str) -> Entry:
        """The entry of ``name``. Raises KeyError where there is none."""
        found = self._made[name]
        if found is None:
            found = self._made[name] = self._make(name)
        return found

    def __iter__(self) -> Iterator[Entry]:
        """The entries in order."""
        return map(self.named, self._made)

    def __len__(self) -> int:
        """How many there are; none is made for it."""
        return len(self._made)

    @overload
    def __getitem__(self, place: int) -> Entry: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Entry, ...]: ...
    def __getitem__(self, place: int | slice) -> Entry | tuple[Entry, ...]:
        """The entry at ``place``, or those of a slice as a tuple."""
        return tuple(self)[place]

    def __eq__(self, other: object) -> bool:
        """Whether ``other`` holds the same entries in the same order."""
        return tuple(self) == tuple(other) if isinstance(other, (LazySequence, tuple)) else NotImplemented

    def __hash__(self) -> int:
        """As that of the tuple, which it equals."""
        return hash(tuple(self))

    def __repr__(self) -> str:
        """As the tuple is shown."""
        return repr(tuple(self))

    def __reduce__(self) -> tuple[Any, ...]:
        """Another process gets the tuple: what makes the entries stays here."""
        return tuple, (tuple(self),)


class LazySequenceField:
    """Marks a pydantic field that holds a tuple or a ``LazySequence`` of the same entries; sent and described as the tuple."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Leave a ``LazySequence`` as it is until it is sent; ``source`` is ``Sequence`` of some type."""
        as_tuple = handler.generate_schema(GenericAlias(tuple, (*get_args(source), ...)))
        return core_schema.no_info_wrap_validator_function(
            lambda value, validated: value if isinstance(value, LazySequence) else validated(value),
            as_tuple,
            serialization=core_schema.wrap_serializer_function_ser_schema(
                lambda value, sent: sent(tuple(value)), schema=as_tuple
            ),
        )
