"""Fields of the case said once: schema, form, sheet and example are held to the models."""

import tomllib

import jsonschema
import pytest
from pydantic import ValidationError

from kinematics.case.example import EXAMPLE, example_case
from kinematics.case.fields import Table, optional
from kinematics.case.layout import case_schema, field_of, in_words
from kinematics.case.model import Case
from kinematics.case.read import read_case
from kinematics.case.template import MEASUREMENTS, MOUNTINGS, template
from tests import SAMPLES


def undescribed(schema):
    tables = {schema["title"]: schema, **schema.get("$defs", {})}
    return [
        f"{title}.{name}"
        for title, table in tables.items()
        for name, field in table["properties"].items()
        if not field.get("description")
    ]


def refusals(data):
    return list(jsonschema.Draft202012Validator(case_schema()).iter_errors(data))


def test_every_field_of_every_table_says_what_it_is():
    assert len(case_schema()["$defs"]) > 20
    assert undescribed(case_schema()) == []


def test_a_field_without_description_is_noticed():
    class Silent(Table):
        told: float = optional("Told", 1.0)
        silent_mm: float = 1.0

    assert undescribed(Silent.model_json_schema()) == ["Silent.silent_mm"]


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (
            "decision.tolerance_mm",
            "Tolerance; no consensus: 0.1, 0.2, 0.3 and 0.5 are in use, mm. "
            "more than 0 and at most 10. default 0.3",
        ),
        ("decision.stop", 'What ends the closure on the articulator. equal_angle | pin | contact. '
                          'default "pin"'),
        ("true_axis.width_mm", "Distance of the two true axis points, mm. "
                               "at least 20 and at most 300"),
    ],
)  # fmt: skip
def test_a_field_in_words_has_its_unit_range_choices_and_default(path, words):
    assert in_words(field_of(path)) == words


def test_an_unknown_field_has_no_words():
    with pytest.raises(KeyError):
        field_of("decision.tolerance")
    with pytest.raises(KeyError):
        field_of("mounting.left_point_mm", "matrix")


def test_the_schema_is_one_and_takes_the_demo_and_every_form():
    jsonschema.Draft202012Validator.check_schema(case_schema())
    assert refusals(tomllib.loads((SAMPLES / "demo_case.toml").read_text("utf-8"))) == []
    for kind in MOUNTINGS:
        for chosen in [(name,) for name in MEASUREMENTS] + [tuple(MEASUREMENTS)]:
            assert refusals(tomllib.loads(template(kind, chosen))) == [], (kind, chosen)


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("decision", {"tolerance_mm": 11.0}),
        ("decision", {"tolerance_mm": "0.3"}),
        ("decision", {"stop": "pinn"}),
        ("decision", {"tolerence_mm": 0.3}),
        ("mounting", {"method": "average", "axis": "true"}),
        ("mounting", {"left_point_mm": [0.0, 55.0]}),
    ],
)
def test_the_schema_refuses_what_the_models_refuse(table, change):
    data = tomllib.loads(template("axis_points", {"located_axis"}))
    data[table] |= change
    assert refusals(data)
    with pytest.raises(ValidationError):
        Case.model_validate(data)


def test_the_example_stands_as_it_is_written_and_is_a_case():
    assert EXAMPLE.read_text("utf-8") == example_case(), "write example_case() to EXAMPLE again"
    assert read_case(EXAMPLE).label == "case 1"


def test_the_example_holds_every_field_of_every_table():
    lines = EXAMPLE.read_text("utf-8").splitlines()
    tables = [case_schema(), *case_schema()["$defs"].values()]
    wanted = [
        name
        for table in tables
        for name, field in table["properties"].items()
        if "$ref" not in str(field)
    ]
    keys = [line.removeprefix("#: ").split(" = ")[0] for line in lines if " = " in line]
    assert len(wanted) > 100
    assert set(wanted) <= set(keys)
    for heading in ("[mounting]", "[[mounting.tracks]]", "[marks]", "[[articulator.records]]"):
        assert heading in [line.removeprefix("#: ") for line in lines]


def test_what_the_example_leaves_out_is_toml_with_known_keys():
    for line in EXAMPLE.read_text("utf-8").splitlines():
        if line.startswith("#: "):
            assert tomllib.loads(line.removeprefix("#: ")) is not None
