"""What `import pulsefind` offers is described, and its examples hold."""

import doctest
import inspect

import pytest

import pulsefind

FUNCTIONS = [name for name in pulsefind.__all__ if inspect.isfunction(getattr(pulsefind, name))]
EVERYTHING = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def test_the_functions_are_those_that_are_listed():
    assert FUNCTIONS == ["analyse", "from_json", "from_samples", "load", "to_json"]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_tells_what_it_takes_and_gives_with_an_example_that_holds(name):
    function = getattr(pulsefind, name)
    text = inspect.getdoc(function)
    assert text is not None
    for section in ("Parameters", "Returns", "Examples"):
        assert f"\n{section}\n{'-' * len(section)}\n" in text, section
    for parameter in inspect.signature(function).parameters:
        assert f"\n{parameter}\n    " in text, parameter
    module = inspect.getmodule(function)
    assert module is not None
    found = doctest.DocTestFinder(recurse=False).find(function, name, globs=dict(vars(module)))
    assert sum(len(test.examples) for test in found) > 0
    for test in found:
        assert doctest.DocTestRunner(optionflags=EVERYTHING).run(test).failed == 0
