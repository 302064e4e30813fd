from __future__ import annotations

from dataclasses import replace

import pytest

from canalwright.errors import MalformedText
from canalwright.records import cases
from canalwright.records.cases import add_tooth, amend_case, create_case, find_case, list_cases
from canalwright.records.errors import AlreadyRecorded, Conflict, NotRecorded
from canalwright.records.nouns import Case
from support.record_stores import *  # noqa: F403


def test_what_is_recorded_is_found_by_beginnings_of_words(store):
    with store.writing() as writing:
        create_case(
            writing, pseudonym="C-AAAA-BBBB", label="Lower molar, Überweisung", teeth=["36"]
        )
        create_case(writing, pseudonym="C-CCCC-DDDD", label="Upper molar", teeth=["16"])
    with store.reading() as reading:
        found = {
            search: [line.case.pseudonym for line in list_cases(reading, search=search).lines]
            for search in ("mol", "lower 36", "uberw", "cccc", "molars", "")
        }
    assert found == {
        "mol": ["C-CCCC-DDDD", "C-AAAA-BBBB"],
        "lower 36": ["C-AAAA-BBBB"],
        "uberw": ["C-AAAA-BBBB"],
        "cccc": ["C-CCCC-DDDD"],
        "molars": [],
        "": ["C-CCCC-DDDD", "C-AAAA-BBBB"],
    }


@pytest.mark.parametrize(("rare", "tried"), [(1000, 1000), (0, 1000), (0, 2), (3, 2)])
def test_every_way_of_searching_finds_the_same(store, monkeypatch, rare, tried):
    """However rare a word is taken to be, and however few of the newest cases are tried first."""
    monkeypatch.setattr(cases, "_RARE", rare)
    monkeypatch.setattr(cases, "_TRIED", tried)
    labels = ["lower molar", "upper molar", "lower canine", "upper canine", "lower molar again"]
    with store.writing() as writing:
        for at, label in enumerate(labels):
            create_case(writing, pseudonym=f"C-{at}", label=label)
    with store.reading() as reading:
        for search in ("molar", "lower molar", "molar canine", "lower", "c again", "upper can"):
            found = {line.case.label for line in list_cases(reading, search=search).lines}
            words = search.split()
            assert found == {
                label
                for label in labels
                if all(any(w.startswith(x) for w in f"c {label}".split()) for x in words)
            }
            first = list_cases(reading, search=search, limit=1)
            if len(found) > 1:
                rest = list_cases(reading, search=search, before=first.next_before)
                assert len(rest.lines) == len(found) - 1


def test_a_second_writer_with_the_old_version_is_told_to_read_again(store):
    with store.writing("first") as writing:
        case = create_case(writing, label="old")
    with store.writing("second") as writing:
        amend_case(writing, replace(case, label="new"), reason="typing error")
    meanwhile = pytest.raises(Conflict, match="changed meanwhile by second: it is at version 2")
    with meanwhile, store.writing("first") as writing:
        amend_case(writing, replace(case, label="mine"), reason="typing error")
    with store.reading() as reading:
        assert find_case(reading, case.pseudonym).label == "new"
        assert [entry.actor for entry in reading.history(case.id)] == ["first", "second"]


def test_an_amendment_needs_a_reason(store):
    with store.writing() as writing:
        case = create_case(writing)
    with pytest.raises(MalformedText, match="Reason of the amendment"), store.writing() as writing:
        amend_case(writing, replace(case, label="x"), reason="  ")


def test_an_error_leaves_nothing_of_a_transaction(store):
    def fail():
        with store.writing() as writing:
            create_case(writing, pseudonym="C-LOST")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    with store.reading() as reading:
        assert list_cases(reading).lines == ()
        assert reading.head() == (0, "0" * 64)


def test_a_pseudonym_is_taken_once(store):
    with store.writing() as writing:
        create_case(writing, pseudonym="C-1")
    with pytest.raises(AlreadyRecorded, match="'C-1'"), store.writing() as writing:
        create_case(writing, pseudonym="C-1")


def test_unknown_records_are_named(store):
    with store.reading() as reading, pytest.raises(NotRecorded, match="No case 'C-9'"):
        find_case(reading, "C-9")
    with pytest.raises(NotRecorded), store.writing() as writing:
        add_tooth(writing, "0" * 32, "36")


def test_pages_follow_one_another_without_gap_or_repeat(store):
    with store.writing() as writing:
        made = [create_case(writing, pseudonym=f"C-{at}").pseudonym for at in range(7)]
    seen, before = [], None
    while True:
        with store.reading() as reading:
            page = list_cases(reading, limit=3, before=before)
        seen += [line.case.pseudonym for line in page.lines]
        if page.next_before is None:
            break
        before = page.next_before
    assert seen == made[::-1]


def test_records_are_there_after_opening_again(store, open_store):
    with store.writing() as writing:
        case = create_case(writing, label="kept")
    store.close()
    with open_store().reading() as reading:
        assert reading.get(Case, case.id) == case
