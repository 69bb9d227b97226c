"""The tables beside the contract and the API's description say what the records say."""

from kojimon.contract import acts, events
from kojimon.web.api.openapi import description
from tests.contract import tables


def test_the_tables_of_the_contract_are_those_of_the_records() -> None:
    """Where this fails: `python -m tests.contract.tables`."""
    assert tables.README.read_text(encoding="utf-8") == tables.written()


def test_every_act_is_described_with_its_own_fields() -> None:
    schemas = description()["components"]["schemas"]
    described = {one["properties"]["kind"]["const"]: one["properties"]["data"] for one in schemas["Act"]["oneOf"]}
    assert set(described) == set(acts.OF_KIND)
    for kind, data in described.items():
        fields = schemas[data["$ref"].rsplit("/", 1)[-1]]
        assert set(fields["properties"]) == set(acts.OF_KIND[kind].__struct_encode_fields__)
        assert fields["additionalProperties"] is False


def test_every_event_is_described_with_its_own_fields() -> None:
    schemas = description()["components"]["schemas"]
    described = {one["properties"]["kind"].get("const"): one["properties"]["data"] for one in schemas["Event"]["oneOf"]}
    assert set(described) == {*events.OF_KIND, None}
    for kind, record in events.OF_KIND.items():
        fields = schemas[described[kind]["$ref"].rsplit("/", 1)[-1]]
        assert set(fields["properties"]) == set(record.__struct_encode_fields__)
