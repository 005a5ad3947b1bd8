from __future__ import annotations

import os
import signal
import subprocess
import sys
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from shifts.demo.scenario import fill

FILE = settings.VAR / "demo.sqlite3"


class Command(BaseCommand):
    help = "A fresh demo around today, in its own file, with the web pages and the worker."
    requires_system_checks: list[str] = []  # they run once the demo's own settings are in force

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="only fill the demo's database")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--seed", type=int, default=7, help="another number, another history")

    def handle(self, *args: Any, no_serve: bool, port: int, seed: int, **options: Any) -> None:
        if os.environ.get("DEMO") != "1" or os.environ.get("DATABASE_URL") != f"sqlite:///{FILE}":
            self.start_again(port)
        for ending in ("", "-wal", "-shm"):
            FILE.with_name(FILE.name + ending).unlink(missing_ok=True)
        call_command("migrate", verbosity=0)
        call_command("createcachetable", verbosity=0)
        fill(at=timezone.now(), seed=seed)
        self.stdout.write(f"The demo is ready in {FILE.relative_to(settings.BASE_DIR)}.")
        if not no_serve:
            self.serve(port)

    def start_again(self, port: int) -> None:
        """Settings are read once, so the demo's own take a fresh process."""
        own = {
            "DEMO": "1",
            "DATABASE_URL": f"sqlite:///{FILE}",
            "EMAIL_URL": f"filemail:///{settings.VAR / 'demo-mail'}",
            "BASE_URL": f"http://localhost:{port}",
        }
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, **own})

    def serve(self, port: int) -> None:
        self.stdout.write(self.style.SUCCESS(f"Open http://localhost:{port}/demo/   (Ctrl-C ends it)"))
        worker = subprocess.Popen([sys.executable, sys.argv[0], "worker"])
        signal.signal(signal.SIGTERM, lambda *_: sys.exit())  # so that the worker ends with it
        try:
            call_command("runserver", f"127.0.0.1:{port}", use_reloader=False)
        finally:
            worker.terminate()
            worker.wait()
