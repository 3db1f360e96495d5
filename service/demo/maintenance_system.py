"""A maintenance system's side of the work orders, whole: run it every minute, or when it is told of a change."""

import json
import os
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

ORDERS = os.environ.get("LEDGER", "http://127.0.0.1:8460") + "/v1/work-orders"
STORE = Path(os.environ.get("STORE", "work-orders.json"))
NAME = os.environ.get("NAME", "MO")


def call(url: str, etag: str = "", body: Any = None) -> tuple[int, Any, str]:
    headers = {"Authorization": f"Bearer {os.environ['KEY']}"}
    if body is not None:
        headers |= {"Content-Type": "application/json", "If-Match": etag}
    sent = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, sent, headers, method="GET" if body is None else "PATCH")
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            return answer.status, json.load(answer), answer.headers["ETag"]
    except urllib.error.HTTPError as refused:
        return refused.code, json.load(refused), ""


def take(order: str, number: str) -> bool:
    """Gives an order our number, unless it has another's. Sent again after a lost answer, it is answered as done."""
    status, found, etag = call(f"{ORDERS}/{order}")
    if status != 200 or found["planning"]["number"] not in (None, number):
        return False
    return call(f"{ORDERS}/{order}", etag, {"planning": {"state": "ready", "number": number}})[0] == 200


def sync() -> None:
    """Reads on what has changed, takes what nobody has, and keeps how each order stands."""
    kept: Any = json.loads(STORE.read_text()) if STORE.exists() else {"after": "", "orders": {}}
    while (page := call(f"{ORDERS}?after={kept['after']}")[1])["items"]:
        for order in page["items"]:
            if order["state"] == "released" and order["planning"]["number"] is None:
                take(order["id"], f"{NAME}-{order['id'][-6:]}")  # changed meanwhile: it comes again
            kept["orders"][order["id"]] = {n: order[n] for n in ("state", "proof", "spindle", "text", "planning")}
        kept["after"] = page["next"]
        STORE.with_suffix(".new").write_text(json.dumps(kept))
        STORE.with_suffix(".new").replace(STORE)  # whoever is killed repeats a page at most


if __name__ == "__main__":
    sync()
