"""Records do as frozen dataclasses do."""

from dataclasses import FrozenInstanceError, dataclass, field, replace
from functools import cached_property

import pytest

from spreadcheck.errors import record


@record
class Mine:
    """One."""

    a: int
    b: tuple[str, ...] = ()
    seen: dict[str, int] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def double(self) -> int:
        return 2 * self.a


@dataclass(frozen=True)
class Theirs:
    """The same, by the standard library."""

    a: int
    b: tuple[str, ...] = ()
    seen: dict[str, int] = field(default_factory=dict, repr=False, compare=False)


@record(eq=False)
class Apart:
    """Equal to itself only."""

    a: int


def test_as_a_frozen_dataclass():
    pairs = [(Mine(1), Mine(1)), (Mine(1), Mine(2)), (Mine(1, ("x",)), Mine(1)), (Mine(1, seen={"n": 1}), Mine(1))]
    for one, other in pairs:
        same = Theirs(one.a, one.b, one.seen) == Theirs(other.a, other.b, other.seen)
        assert (one == other) is same
        assert (hash(one) == hash(other)) is same
    assert repr(Mine(1, ("x",))) == repr(Theirs(1, ("x",))).replace("Theirs", "Mine")
    assert Mine(1) != Theirs(1)
    assert replace(Mine(1), a=3) == Mine(3)
    assert Mine(4).double == 8
    assert Mine.__match_args__ == Theirs.__match_args__


def test_nothing_of_a_record_changes():
    one = Mine(1)
    for change in (lambda: setattr(one, "a", 2), lambda: setattr(one, "other", 2), lambda: delattr(one, "a")):
        with pytest.raises(FrozenInstanceError):
            change()
    assert one == Mine(1)


def test_records_that_hold_arrays_are_equal_to_themselves_only():
    one = Apart(1)
    assert one == one
    assert one != Apart(1)
    assert len({one, Apart(1)}) == 2
