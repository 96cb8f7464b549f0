"""Who calls, and the headers of a call."""

import pytest

from cds.security.caller import NOBODY, Caller, HttpCall, NotTrusted, current_caller


def test_a_header_is_read_where_it_is_given_once() -> None:
    call = HttpCall("/", {"one": ["1"], "empty": [""], "none": []})
    assert [call.one(name) for name in ("one", "empty", "none", "missing")] == ["1", "", None, None]


@pytest.mark.parametrize("values", [["1", "1"], ["1", "2"], ["1", "2", "3"]])
def test_a_header_given_twice_is_refused(values: list[str]) -> None:
    """Two readers could each take another one (RFC 9110, section 5.3: only lists may be repeated)."""
    with pytest.raises(NotTrusted) as refused:
        HttpCall("/", {"authorization": values}).one("authorization")
    assert (refused.value.status, refused.value.reason) == (400, "header_twice")
    assert str(refused.value) == "the header authorization is given more than once"
    assert refused.value.retry_after is None


def test_a_refusal_holds_its_status_reason_message_and_patience() -> None:
    refused = NotTrusted(503, "key_set", "come back", retry_after=60)
    assert (refused.status, refused.reason, str(refused), refused.retry_after) == (503, "key_set", "come back", 60)


def test_patients_of_two_issuers_and_of_two_tenants_are_apart() -> None:
    named = [Caller("a").namespace, Caller("a", "b").namespace, Caller("a\nb").namespace]
    assert named == ["a\n", "a\nb", "a\nb\n"]


def test_who_calls_is_nobody_until_somebody_is_let_in() -> None:
    assert current_caller.get() is NOBODY
    assert Caller("open") == NOBODY
