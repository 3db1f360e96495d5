"""`spindle-ledger key`: the token alone on stdout, for whoever keeps it, and beside it the number that ends it."""

import asyncio
import re
import sys

from tests.running import running
from tests.story.serving import PROJECT, outside


async def test_a_key_minted_at_the_terminal_opens_and_is_ended_by_its_number(database_url: str) -> None:
    async with running(database_url) as ledger:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-B", "-m", "service", "key", "mes", "--scope", "read", "--plant", "skerrow"),
            cwd=PROJECT,
            env=outside() | {"DATABASE_URL": database_url},
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        async with asyncio.timeout(30):
            token, said = (text.decode() for text in await process.communicate())
        assert process.returncode == 0, said
        number = re.search(r"\bnumber (\d+)\b", said)
        assert number is not None, said
        mine = {"Authorization": f"Bearer {token.removesuffix(chr(10))}"}
        assert (await ledger.client.get("/v1/spindles", headers=mine)).status_code == 200
        kept = (await ledger.client.get(f"/v1/keys/{number.group(1)}")).json()
        assert (kept["name"], kept["scopes"], kept["plants"]) == ("mes", ["read"], ["skerrow"])
