"""Spoiled input at every door: how much is accepted, how much wrongly, and what breaks.

    python -m tests.fuzz --what dumps|lines|profiles|readings|scripts|arguments|shell|merge|database
                         --runs N [--seed S] [--json]

Every run draws its input from its own number, so that a finding can be repeated alone
(`--seed N --runs 1`).  `accepted` counts what was taken, `wrong_accepted` what should not have
been, `tracebacks` whatever ended in anything but an answer or a sentence, `hangs` what took longer
than `PATIENCE` seconds.
"""

from tests.fuzz.dumps import campaign, run

__all__ = ["campaign", "run"]
