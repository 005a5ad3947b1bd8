"""python -m tests.bench: one line a measure: ours, its reference, the ratio, the goal.

Both sides of a measure run in turn, in one process, on one database (DATABASE_URL), so that the ratio says
something on any machine; the times alone do not. Exits 1 when a goal is missed. `--json` for programs.
"""

import argparse
import json
import os
import sys

import django


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("only", nargs="*", help="names of measures; all when none is given")
    options = parser.parse_args()

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    from django.test.utils import setup_databases, setup_test_environment, teardown_databases

    from tests.bench.measures import MEASURES

    setup_test_environment()
    databases = setup_databases(verbosity=0, interactive=False)
    results = []
    try:
        for measure in MEASURES:
            if options.only and measure.name not in options.only:
                continue
            results.append(measure.run())
            if not options.json:
                print(results[-1].line(), flush=True)
    finally:
        teardown_databases(databases, verbosity=0)
    if options.json:
        print(json.dumps([result.facts() for result in results], indent=1))
    return 0 if all(result.ok for result in results) else 1


if __name__ == "__main__":
    sys.exit(main())
