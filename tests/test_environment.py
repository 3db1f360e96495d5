"""The environment: read once, strictly, so that no typo and no nonsense hides."""

from ipaddress import ip_network
from pathlib import Path

import pytest

from service.environment import Environment, EnvironmentWrong, read_environment


def test_nothing_said_is_every_default() -> None:
    assert read_environment({"PATH": "/bin"}) == Environment()
    empty = {"DATABASE_URL": "", "SPINDLE_LEDGER_PORT": "", "SPINDLE_LEDGER_DATA": "", "SPINDLE_LEDGER_LOG": ""}
    assert read_environment(empty) == Environment()


def test_everything_said_is_read() -> None:
    found = read_environment(
        {
            "DATABASE_URL": "postgresql://ledger.test/shop",
            "SPINDLE_LEDGER_HOST": "127.0.0.2",
            "SPINDLE_LEDGER_PORT": "0",
            "SPINDLE_LEDGER_DATA": "/var/lib/elsewhere",
            "SPINDLE_LEDGER_BOOTSTRAP_KEY": "k" * 32,
            "SPINDLE_LEDGER_KEY": "a key",
            "SPINDLE_LEDGER_WEBHOOK_CIDRS": "10.20.0.0/16, fd12:3456::/32,",
            "SPINDLE_LEDGER_RETRY_SCHEDULE": "0,5,2.5",
            "SPINDLE_LEDGER_POOL_SIZE": "2",
            "SPINDLE_LEDGER_LOG": "json",
        }
    )
    assert found == Environment(
        database_url="postgresql://ledger.test/shop",
        host="127.0.0.2",
        port=0,
        data=Path("/var/lib/elsewhere"),
        bootstrap_key="k" * 32,
        key="a key",
        webhook_networks=(ip_network("10.20.0.0/16"), ip_network("fd12:3456::/32")),
        retry_schedule=(0, 5, 2.5),
        pool_size=2,
        log="json",
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PROT", "8460"),
        ("PORT", "65536"),
        ("PORT", "-1"),
        ("PORT", "²"),
        ("POOL_SIZE", "1"),
        ("POOL_SIZE", "201"),
        ("WEBHOOK_CIDRS", "10.20.0.1/16"),
        ("WEBHOOK_CIDRS", "everywhere"),
        ("RETRY_SCHEDULE", "5,300"),
        ("RETRY_SCHEDULE", "0,-1"),
        ("RETRY_SCHEDULE", "0,604801"),
        ("RETRY_SCHEDULE", "0,nan"),
        ("RETRY_SCHEDULE", "0,soon"),
        ("LOG", "xml"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_name(name: str, value: str) -> None:
    with pytest.raises(EnvironmentWrong, match=f"SPINDLE_LEDGER_{name}"):
        read_environment({f"SPINDLE_LEDGER_{name}": value})
