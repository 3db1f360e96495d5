"""A process that holds an embedded server, as the service does: it ends with it, and when its input ends."""

import json
import select
import sys
from pathlib import Path

from service.embedded import EmbeddedServer, EmbeddedUnavailable

SERVER_DIED = 3


def hold(data: Path) -> int:
    try:
        with EmbeddedServer(data) as server:
            print(json.dumps({"pid": server.pid, "dsn": server.dsn}), flush=True)
            while server.alive():
                if select.select([sys.stdin], [], [], 0.05)[0]:
                    return 0
            print("The server died.", file=sys.stderr)
            return SERVER_DIED
    except EmbeddedUnavailable as refusal:
        print(refusal, file=sys.stderr)
        return refusal.exit_status


if __name__ == "__main__":
    sys.exit(hold(Path(sys.argv[1])))
