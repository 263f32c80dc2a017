"""The service's own description, tried out by schemathesis: every operation with many requests, and in long sequences.

A copy of a catalogue, served by `platekin serve`. All checks of schemathesis count, but three
where OpenAPI cannot say what holds: that any bytes are a photo, that a form's text can be of a wrong type, and, in
sequences, that what an earlier answer gave makes an address of another operation.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.check import check
from matcher.lab.campaigns.at_work import serving

LEFT_OUT = {"POST": ["positive_data_acceptance"]}
"""By method: a file is any bytes, and refusing some of them is no fault."""

STEPS = 8

PATIENCE_S = 150
"""For one answer: longer than the service itself lets a photo take."""

TEXT_FORMS = ("/v1/listings",)
"""Whatever is put into a form's text is text: nothing in it can be of a wrong type."""


@dataclass
class Tally:
    """tried: requests by operation; steps: those in sequences. findings: what spoke against the description.

    troubles: how many `check` finds afterwards.
    """

    tried: Counter[str] = field(default_factory=Counter)
    findings: list[str] = field(default_factory=list)
    sequences: int = 0
    steps: int = 0
    troubles: int = 0

    @property
    def line(self) -> str:
        return (
            f"{len(self.tried)} operations, {self.tried.total()} requests; {self.sequences} sequences of {self.steps} "
            f"requests; "
            f"{len(self.findings)} findings; {self.troubles} troubles found by check"
        )


def described(base: str) -> Any:
    """schemathesis' view of a running service."""
    import schemathesis

    return schemathesis.openapi.from_url(f"{base}/openapi.json")


def try_operations(schema: Any, examples: int, tally: Tally, ends: float, only: str = "") -> None:
    """Each operation with so many requests that keep to its description, and as many that do not."""
    for result in schema.get_all_operations():
        operation = result.ok()
        if only not in operation.path:
            continue
        for mode in _modes():
            if time.monotonic() < ends:
                _try(operation, mode, examples, tally)


def try_sequences(schema: Any, examples: int, tally: Tally) -> None:
    """Operations one after the other, with what the one answered in the next (schemathesis' state machine)."""
    import hypothesis
    from hypothesis.stateful import run_state_machine_as_test

    machine = schema.as_state_machine()

    class Counted(machine):  # type: ignore[misc, valid-type]
        def teardown(self) -> None:
            tally.sequences += 1
            super().teardown()

        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"timeout": PATIENCE_S}

        def after_call(self, response: Any, case: Any) -> None:
            tally.steps += 1

        def validate_response(self, response: Any, case: Any, additional_checks: Any = None, **sent: Any) -> None:
            left_out = _left_out(case.operation.method, case.operation.path, _off_description(case))
            case.validate_response(
                response, additional_checks=additional_checks, excluded_checks=left_out, transport_kwargs=sent
            )

    settings = hypothesis.settings(
        max_examples=examples, stateful_step_count=STEPS, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck), report_multiple_bugs=True,
    )  # fmt: skip
    try:
        run_state_machine_as_test(Counted, settings=settings)
    except (Exception, BaseExceptionGroup) as found:
        tally.findings.append(f"in a sequence: {_told(found)}")


def _try(operation: Any, mode: Any, examples: int, tally: Tally) -> None:
    import hypothesis
    from hypothesis.errors import Unsatisfiable

    name = f"{operation.method.upper()} {operation.path}"
    left_out = _left_out(operation.method, operation.path)

    @hypothesis.settings(
        max_examples=examples, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
    def keeps(case: Any) -> None:
        tally.tried[name] += 1
        case.call_and_validate(excluded_checks=left_out, timeout=PATIENCE_S)

    try:
        keeps()
    except Unsatisfiable:
        return  # it takes nothing that could be wrong
    except (Exception, BaseExceptionGroup) as found:
        tally.findings.append(f"{name} ({mode.name}): {_told(found)}")


def _modes() -> list[Any]:
    from schemathesis.generation import GenerationMode

    return list(GenerationMode)


def _off_description(case: Any) -> bool:
    """Whether what an earlier answer gave does not make an address of this operation: a find's empty reference, a
    photo's name where that of a results file belongs. No valid request, though schemathesis takes it for one."""
    given = case.path_parameters or {}
    return any(not known.is_valid(given.get(known.name)) for known in case.operation.path_parameters)


def _left_out(method: str, path: str, off_description: bool = False) -> Any:
    from schemathesis.checks import CHECKS

    names = LEFT_OUT.get(method.upper(), []) + (["negative_data_rejection"] if path in TEXT_FORMS else [])
    return CHECKS.get_by_names(list({*names, *(["positive_data_acceptance"] if off_description else [])}))


def _told(found: BaseException) -> str:
    """What was found, with the request that shows it again."""
    return str(found)[:3000]


def run(catalogue: Path, examples: int, sequences: int, seconds: float = float("inf"), only: str = "") -> Tally:
    """On a copy of the catalogue. examples: of each operation and kind; sequences: of up to STEPS operations.

    seconds: no operation is begun later. only: operations whose path holds this.
    """
    tally, ends = Tally(), time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(shutil.copytree(catalogue, Path(scratch) / "catalogue"))
        with serving(copy, "--workers", "2") as service:
            schema = described(service.base)
            if examples:
                try_operations(schema, examples, tally, ends, only)
            if sequences:
                try_sequences(schema, sequences, tally)
            service.stop()
        with Catalogue.open(copy) as opened:
            tally.troubles = len(check(opened))
    return tally


def main() -> None:
    """Print what was found; exit 1 where something was."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--catalogue", type=Path, required=True)
    parser.add_argument("--examples", type=int, default=50, help="of each operation, as described and not")
    parser.add_argument("--sequences", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="no operation is begun after that")
    parser.add_argument("--only", default="", help="operations whose path holds this")
    chosen = parser.parse_args()
    tally = run(chosen.catalogue, chosen.examples, chosen.sequences, chosen.seconds, chosen.only)
    for finding in tally.findings:
        print(finding, end="\n\n")
    print(tally.line)
    raise SystemExit(bool(tally.findings or tally.troubles))


if __name__ == "__main__":
    main()
