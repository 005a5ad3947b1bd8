import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from shifts import worker


class Command(BaseCommand):
    help = "Sends what is owed and does what is due, until stopped."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="do what is due now, then exit")

    def handle(self, *args: Any, once: bool, **options: Any) -> None:
        if once:
            self.stdout.write(f"{worker.once()} messages seen to")
            return
        stop = threading.Event()
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: stop.set())
        worker.forever(stop)
