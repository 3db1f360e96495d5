"""Receives notices: verifies each, keeps it once, answers at once. The work goes on from the table, apart from this."""

import os
import sqlite3
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from standardwebhooks import Webhook, WebhookVerificationError

WEBHOOK, PLACE = Webhook(os.environ["WEBHOOK_SECRET"]), os.environ.get("WEBHOOK_NOTICES", "notices.db")


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(min(int(self.headers.get("Content-Length", "0")), 64_000))
        try:  # over the bytes as they came: verify first, read afterwards
            notice = WEBHOOK.verify(body, dict(self.headers.items()))
        except (WebhookVerificationError, ValueError):
            return self.send_error(400)
        with closing(sqlite3.connect(PLACE)) as database, database:
            database.execute("INSERT OR IGNORE INTO notice VALUES (?, ?)", (notice["id"], body))
        self.send_response(204)
        return self.end_headers()


if __name__ == "__main__":
    with closing(sqlite3.connect(PLACE)) as database, database:
        database.execute("CREATE TABLE IF NOT EXISTS notice (id TEXT PRIMARY KEY, body BLOB)")
    ThreadingHTTPServer(("127.0.0.1", int(os.environ.get("PORT", "8000"))), Receiver).serve_forever()
