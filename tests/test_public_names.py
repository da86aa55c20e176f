"""What `import pulsefind` offers is described, and its examples hold."""

import dataclasses
import doctest
import inspect
import re

import pytest

import pulsefind
from pulsefind.core import records

FUNCTIONS = [name for name in pulsefind.__all__ if inspect.isfunction(getattr(pulsefind, name))]
CLASSES = [name for name in pulsefind.__all__ if inspect.isclass(getattr(pulsefind, name))]
WITHIN = [
    *("Alternative", "Audio", "Bars", "Beats", "Confidence", "Grid", "GridSection", "Guide", "GuideHits", "Misreading"),
    *("Place", "SectionConfidence", "Sound", "Stretch", "Tempo", "Track"),
]
"""The records that an analysis holds, and the sound that it is made from."""

EVERYTHING = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def documented(public):
    text = inspect.getdoc(public)
    assert text is not None
    return text


def has_section(text, section):
    return f"\n{section}\n{'-' * len(section)}\n" in text


def check_examples(public, name):
    module = inspect.getmodule(public)
    assert module is not None
    found = doctest.DocTestFinder(recurse=False).find(public, name, globs=dict(vars(module)))
    assert sum(len(test.examples) for test in found) > 0
    for test in found:
        assert doctest.DocTestRunner(optionflags=EVERYTHING).run(test).failed == 0


def test_the_public_names_are_these():
    assert FUNCTIONS == ["analyse", "from_json", "from_samples", "load", "to_json"]
    errors = ["AudioError", "FormatError", "HintError", "OutputError", "PulsefindError"]
    assert ["Analysis", *errors, "Settings"] == CLASSES
    assert len(FUNCTIONS) + len(CLASSES) == len(pulsefind.__all__)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_tells_what_it_takes_and_gives_with_an_example_that_holds(name):
    function = getattr(pulsefind, name)
    text = documented(function)
    for section in ("Parameters", "Returns", "Examples"):
        assert has_section(text, section), section
    for parameter in inspect.signature(function).parameters:
        assert f"\n{parameter}\n    " in text, parameter
    check_examples(function, name)


@pytest.mark.parametrize("name", CLASSES)
def test_a_class_has_an_example_that_holds(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    check_examples(getattr(pulsefind, name), name)


@pytest.mark.parametrize("name", ["Analysis", "Settings", *WITHIN])
def test_a_record_describes_each_field_with_its_type(name):
    record = getattr(records, name)
    text = documented(record)
    assert has_section(text, "Attributes")
    for field in dataclasses.fields(record):
        line = rf"(?m)^(?:\w+, )*{field.name}(?:, \w+)* : \S"
        assert re.search(line, text), field.name
