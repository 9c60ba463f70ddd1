"""Every way in which a value of farm.toml can be wrong is answered in the program's own words."""

import re
import tomllib
from datetime import date

import pytest
from pydantic import BaseModel

from flows.base.errors import UserError
from flows.farm import farm_file
from schemas.farm.farm import Farm
from tests.flows.loggers import FARM

# How the library that checks the file begins and ends its own sentences.
ITS_WORDS = re.compile(
    r"input should|should (be|have|match)|value error|valid (integer|number|string|list|dictionary"
    r"|tuple|date|boolean)|unable to|instance of|pattern|after validation|extra inputs|tuple"
    r"|dictionary|pydantic",
    re.IGNORECASE,
)
WRONG = ("", "x" * 300, "a\nb", -1e9, 1e9, float("nan"), 0.5, True, [], [[]], {}, {"a": 1}, ["a"])
WRONG = (*WRONG, date(2020, 1, 1), [{}], {"a": {}}, [1, 2, 3, 4, 5])


def whole():
    """A farm that has a value for every part that there is."""
    more = """
    [probe_defaults]
    strip = "treated"
    [station_defaults]
    gauge_heated = true
    [normals]
    station = "west"
    [backup]
    to = "/x"
    [mail]
    server = "mail.example.org"
    from = "farm@example.org"
    readers = [{address = "grower@example.org"}]
    [crops.corn]
    base_temp_c = 8
    """
    return tomllib.loads(FARM + "[rules]\n[schedules]\n" + more)


def places(model, content, path=()):
    """Every key that the models of ``content`` know, given or not, by its path."""
    for name, field in model.model_fields.items():
        key = (*path, field.alias or name)
        yield key
        inner = farm_file.fault_words._model_in(field.annotation)
        value = content.get(key[-1]) if isinstance(content, dict) else None
        if inner is None or value is None:
            continue
        if isinstance(value, list):
            yield from places(inner, value[0], (*key, 0))
        elif "dict" in str(field.annotation):
            first = next(iter(value))
            yield from places(inner, value[first], (*key, first))
        else:
            yield from places(inner, value, key)


def put(content, path, value):
    for part in path[:-1]:
        content = content[part]
    content[path[-1]] = value


def test_no_sentence_of_the_checking_library_reaches_the_user():
    paths = list(places(Farm, whole()))
    assert ("probes", 0, "sensors", 0, "depth_cm") in paths
    assert ("layouts", "hourly", "columns", "T", "quantity") in paths
    seen = 0
    for path in paths:
        for value in WRONG:
            content = whole()
            put(content, path, value)
            try:
                farm_file.parse(content, "farm.toml")
            except UserError as error:
                seen += 1
                said = str(error).replace("x" * 300, "")
                assert not ITS_WORDS.search(said), (path, value, said)
    assert seen > len(paths) * 5


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'spells = [{field = "North", strip = "treated", from = 2020-01-01}]',
            "spells = []",
            r"stations\[1\]\.spells: found \[\]; write at least 1, such as spells = \[\{ field",
        ),
        ('[{depth_cm = 10}, {depth_cm = 30, name = "b"}]', "[]", r"such as sensors = \[\{ depth"),
        ("settle_s = 0", 'settle_s = "soon"', r"settle_s: found 'soon'; write a number, without"),
        ('name = "west"', 'name = "a/b"', r"found 'a/b'; write a name of 1 to 80 characters"),
        ("from = 2020-01-01}]", 'from = "May"}]', r"from: found 'May'; write a date such as 2024"),
        ('missing = ["NAN", -9999]', "missing = [[2]]", r"missing\[1\]: write text in quotes or a"),
        ("latitude = 50", "latitude = 500", r"found 500; write a number from -90 to 90"),
        ("[[stations]]", "[stations.west]", r"stations: write \[\[stations\]\] above each of them"),
        ("settle_s = 0", "max_mb = -1", r"max_mb: found -1; write a number above 0 and of at most"),
    ],
)
def test_it_says_what_to_write(old, new, said):
    assert old in FARM
    with pytest.raises(UserError) as error:
        farm_file.parse(tomllib.loads(FARM.replace(old, new)), "farm.toml")
    assert re.search(said, str(error.value)), str(error.value)


def test_every_part_of_the_farm_file_explains_itself():
    """A pattern without a description could only be answered with the pattern."""

    def models(model):
        yield model
        for field in model.model_fields.values():
            inner = farm_file.fault_words._model_in(field.annotation)
            if inner is not None and issubclass(inner, BaseModel):
                yield from models(inner)

    unexplained = [
        f"{model.__name__}.{name}"
        for model in models(Farm)
        for name, field in model.model_fields.items()
        if any(getattr(rule, "pattern", None) for rule in field.metadata)
        and field.description is None
    ]
    assert not unexplained
