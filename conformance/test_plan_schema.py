"""The JSON schema of station plans, judged by a validator that knows nothing of Dunlin (JSON
Schema, draft 7): it takes the examples and refuses what is misspelt or of a wrong type."""

import json
import tomllib

import fastjsonschema
import pytest
from program import TOP, run

PLANS = sorted((TOP / "plans").glob("*.toml"))


@pytest.fixture(scope="module")
def validate():
    kept = json.loads((TOP / "docs/plan.schema.json").read_text())
    assert kept == json.loads(run("plan", "schema")), "dunlin plan schema > docs/plan.schema.json"
    return fastjsonschema.compile(kept)


@pytest.mark.parametrize("plan", PLANS, ids=lambda path: path.stem)
def test_the_examples_are_plans(validate, plan):
    validate(tomllib.loads(plan.read_text()))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda plan: plan["station"].pop("call"),
        lambda plan: plan["port"][0].update(persistance=0.2),
        lambda plan: plan["port"][0].update(slot_time_ms="100 ms"),
        lambda plan: plan["port"][0]["sound"].update(rate_hz=[48000]),
        lambda plan: plan.pop("port"),
    ],
)
def test_what_is_wrong_is_refused(validate, spoil):
    plan = tomllib.loads(PLANS[0].read_text())
    validate(plan)
    spoil(plan)
    with pytest.raises(fastjsonschema.JsonSchemaValueException):
        validate(plan)
