"""lidjig cycle: shut and open the lid many times; latencies, misses, proof of a reliability."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lidjig.cli.confirm import MachineOption, SensorOption
from lidjig.cli.options import GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.procedures.cycle import Proof
    from lidjig.procedures.lid import Trial
    from lidjig.record.stored import StoredRun

COUNT_MAX = 1_000_000


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def cycle(
        context: typer.Context,
        count: Annotated[int | None, typer.Option(min=1, max=COUNT_MAX, help="Cycles in all.", metavar="N")] = None,
        prove: Annotated[
            float | None, typer.Option(help="Show this reliability (part of 1); chooses the count.", metavar="R")
        ] = None,
        confidence: Annotated[
            float | None, typer.Option(help="Confidence of --prove, part of 1; 0.95 when left out.", metavar="C")
        ] = None,
        resume: Annotated[
            str | None,
            typer.Option(help="Go on with this interrupted run, with its profiles and count.", metavar="RUN"),
        ] = None,
        sensor: SensorOption = None,
        machine: MachineOption = None,
    ) -> int:
        """Shut and open the lid N times by the stand-in. Ctrl-C ends it safely; --resume goes on."""
        options: GlobalOptions = context.obj
        if resume is not None:
            given = {
                "--count": count,
                "--prove": prove,
                "--confidence": confidence,
                "--sensor": sensor,
                "--machine": machine,
            }
            for name, value in given.items():
                if value is not None:
                    raise BadInput("", name, value, "nothing beside --resume: the interrupted run brings its own")
            return _resume(options, resume)
        proof = _proof(prove, confidence)
        return _run(options, _count(count, proof), proof, sensor=sensor, machine=machine)


def _proof(prove: float | None, confidence: float | None) -> Proof | None:
    from lidjig.procedures.cycle import Proof

    if prove is None:
        if confidence is not None:
            raise BadInput("", "--confidence", confidence, "only together with --prove")
        return None
    confidence = 0.95 if confidence is None else confidence
    for name, value in (("--prove", prove), ("--confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise BadInput("", name, value, "a part of 1, above 0 and below 1 (0.99 for 99 %)")
    proof = Proof(prove, confidence)
    if proof.count > COUNT_MAX:
        raise BadInput(
            "", "--prove", prove, f"a reliability that {COUNT_MAX} cycles can show; this takes {proof.count}"
        )
    return proof


def _count(count: int | None, proof: Proof | None) -> int:
    if proof is None:
        return 100 if count is None else count
    if count is None:
        return proof.count
    if count < proof.count:
        accepted = f"at least {proof.count}, which --prove {proof.reliability:g} takes, or no --count at all"
        raise BadInput("", "--count", count, accepted)
    return count


def _run(
    options: GlobalOptions,
    count: int,
    proof: Proof | None,
    *,
    sensor: str | None = None,
    machine: str | None = None,
    texts: dict[str, str] | None = None,
    before: list[list[Trial]] | None = None,
    resumes: str | None = None,
) -> int:
    from lidjig.cli.session import run_procedure
    from lidjig.procedures.cycle import Cycle

    arguments: dict[str, Any] = {"count": count}
    if proof is not None:
        arguments |= {"reliability": proof.reliability, "confidence": proof.confidence}
    return run_procedure(
        options,
        "cycle",
        lambda bench: Cycle(bench, count, proof=proof, before=before),
        sensor=sensor,
        machine=machine,
        texts=texts,
        arguments=arguments,
        resumes=resumes,
    )


def _resume(options: GlobalOptions, wanted: str) -> int:
    """Go on where the run ended: same profiles, same count, the cycles of it and of what it went on with counted."""
    from lidjig.procedures.cycle import Proof
    from lidjig.record.store import open_store

    with open_store(options.store, create=False) as store:
        run = store.run(wanted)
        if run.command != "cycle":
            raise BadInput("", "--resume", wanted, f"a cycle run; {run.id} is {run.command}")
        before = _recorded(run)
        earlier = run.resumes
        for _ in range(1000):
            if earlier is None:
                break
            older = store.run(earlier)
            before = _recorded(older) + before
            earlier = older.resumes
    count = int(run.arguments["count"])
    if len(before) >= count:
        raise BadInput("", "--resume", wanted, f"a run with cycles left; all {count} of {run.id} are done")
    proof = None
    if "reliability" in run.arguments:
        proof = Proof(float(run.arguments["reliability"]), float(run.arguments["confidence"]))
    # The work of one job stays with it, unless another one is named.
    options = replace(options, job=options.job or run.job)
    return _run(options, count, proof, texts=run.texts, before=before, resumes=run.id)


def _recorded(run: StoredRun) -> list[list[Trial]]:
    from lidjig.procedures.lid import from_result
    from lidjig.record.model import CYCLE_STEP

    done = [from_result(step.result) for step in run.steps if step.name == CYCLE_STEP and step.state == "done"]
    return [trials for trials in done if trials is not None]
