"""`perioview batch`: every visit under a folder, here or on a Dask cluster, as one table."""

from __future__ import annotations

import argparse
import csv
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perioview.batch import Job, Row, fault_row, jobs_under, rows_of, table
from perioview.errors import InputRefused
from perioview.files.atomic import write_atomically
from perioview.verbs.output import emit
from perioview.verbs.plaque import corners
from perioview.verbs.plaque_table import reduction_lines

if TYPE_CHECKING:
    from multiprocessing.context import SpawnContext

ANSWER_SECONDS = 10.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument("root", metavar="ROOT", help="folder with visit folders at any depth")
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="Dask scheduler whose workers see the same folders, as tcp://host:8786",
    )
    parser.add_argument("--out", metavar="FILE", help="CSV to write; standard output without it")
    parser.add_argument(
        "--workers", type=int, metavar="N", help="processes on this computer (default: its cores)"
    )
    parser.add_argument(
        "--mark-sd", metavar="S", help="repeatability of the marks, as for 'perioview measure'"
    )
    parser.add_argument(
        "--grey-card",
        metavar="ROW,COL,ROW,COL",
        help="two opposite corners of a grey card that lies at the same place in every photo, px; "
        "a photo's own goes before it (grey_card = [row, col, row, col] in visit.toml)",
    )
    parser.add_argument(
        "--carry-teeth",
        action="store_true",
        help="a photo without tooth regions takes those of another photo of its visit, by "
        "alignment (flag outlines_carried)",
    )
    parser.add_argument(
        "--before",
        metavar="TABLE",
        help="a table this verb wrote of earlier visits, or of a control group: states the percent "
        "reduction of plaque since, each visit a mouth, photos after cleaning left out",
    )
    parser.add_argument(
        "--json", metavar="FILE", help="write that reduction as JSON to FILE ('-': standard output)"
    )


def run(args: argparse.Namespace) -> None:
    """Measure all, and write one table."""
    from perioview.observer import mark_sd
    from perioview.plaque_reduction import reduction_object

    if args.workers is not None and args.workers < 1:
        raise InputRefused(f"--workers {args.workers}: must be 1 or more.")
    if args.out and not Path(args.out).absolute().parent.is_dir():
        raise InputRefused(f"{args.out}: its folder does not exist; make it first.")
    if args.json and not args.before:
        raise InputRefused(f"--json {args.json}: needs --before to be compared with; give both.")
    if args.json == "-" and not args.out:
        raise InputRefused("--json -: standard output holds the table; give --out FILE too.")
    mark_sd(args.mark_sd, True)
    card = corners("--grey-card", args.grey_card)
    earlier = table_mouths(args.before, read_table(args.before)) if args.before else None
    jobs = jobs_under(args.root, args.mark_sd, card=card, carry_teeth=args.carry_teeth)
    if args.scheduler:
        results = on_cluster(jobs, args.scheduler)
    else:
        results = on_this_computer(jobs, args.workers or os.cpu_count() or 1)
    rows = [row for result in results for row in result]
    lessened = None
    if earlier is not None:
        lessened = reduction_object(earlier, table_mouths(args.root, rows))
    if args.out:
        write_atomically(Path(args.out), table(rows).encode())
    else:
        sys.stdout.write(table(rows))
    faults = sum(bool(row.get("fault")) for row in rows)
    said = f"{len(jobs)} visits or photos, {len(rows)} rows, {faults} with a fault"
    where = sys.stdout if args.out and args.json != "-" else sys.stderr
    print(f"{said}: {args.out}" if args.out else said, file=where)
    if lessened is not None:
        if args.json:
            emit(args, {"reduction": lessened}, ())
        else:
            print("\n".join(reduction_lines(lessened)), file=where)


def read_table(path: str) -> list[dict[str, str]]:
    """Read a table that batch wrote.

    Raises
    ------
    InputRefused
        If it cannot be read, or is no such table.
    """
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            rows, columns = list(reader), reader.fieldnames or ()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "is no text"
        raise InputRefused(f"{path}: cannot be read ({why}); give a table batch wrote.") from error
    needed = {"visit", "tooth", "coverage_pct", "region_px", "glare_px", "stained_px", "index"}
    lacking = needed - set(columns)
    if lacking:
        raise InputRefused(
            f"{path}: is no table of batch (lacks {', '.join(sorted(lacking))}); give one."
        )
    return rows


def table_mouths(name: str, rows: Sequence[Row]) -> dict[str, dict[str, Any]]:
    """Plaque of every mouth of a table.

    Raises
    ------
    InputRefused
        If there is none, or what should be a number is not.
    """
    from perioview.batch_photos import mouths

    try:
        found = mouths(rows)
    except ValueError as error:
        raise InputRefused(f"{name}: holds what is no number ({error}); correct it.") from error
    if not found:
        raise InputRefused(f"{name}: holds no plaque of any mouth; nothing to compare.")
    return found


def on_this_computer(jobs: Sequence[Job], workers: int) -> list[list[Row]]:
    """Measure in as many processes as are worth their start.

    Parameters
    ----------
    jobs : sequence of Job
        Visits or photos.
    workers : int
        At most so many processes.

    Returns
    -------
    list of list of dict
        Rows of each job, in order.
    """
    workers = min(workers, len(jobs) // 4 + 1)
    if workers == 1:
        return [rows_of(job) for job in jobs]
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    done: list[list[Row]] = []
    while len(done) < len(jobs):
        rest = jobs[len(done) :]
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            futures = [pool.submit(rows_of, job) for job in rest]
            for job, future in zip(rest, futures, strict=True):
                if isinstance(future.exception(), BrokenProcessPool):
                    break
                done.append(_outcome(job, future))
        if len(done) < len(jobs):
            # A decoder that crashes takes the whole pool along: the next one alone, then go on.
            done.append(_alone(jobs[len(done)], get_context("spawn")))
    return done


def _alone(job: Job, context: SpawnContext) -> list[Row]:
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(1, mp_context=context) as pool:
        return _outcome(job, pool.submit(rows_of, job))


def on_cluster(jobs: Sequence[Job], address: str) -> list[list[Row]]:
    """Measure on the workers of a Dask scheduler.

    Parameters
    ----------
    jobs : sequence of Job
        With paths that the workers see too.
    address : str
        Of the scheduler.

    Returns
    -------
    list of list of dict
        Rows of each job, in order.

    Raises
    ------
    InputRefused
        If Dask is not installed, or no scheduler or worker answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputRefused(
            "--scheduler needs Dask; install it with: pip install 'perioview[cluster]'"
        ) from error
    try:
        client = Client(address, timeout=ANSWER_SECONDS, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputRefused(
            f"--scheduler {address}: does not answer ({error}); check the address, e.g. "
            "tcp://host:8786, and that the scheduler runs."
        ) from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise InputRefused(f"--scheduler {address}: has no workers; start some.")
        # Not pure: the same folder may hold other marks when it is measured again.
        futures = client.map(rows_of, jobs, pure=False, retries=1)
        return [_outcome(job, future) for job, future in zip(jobs, futures, strict=True)]


def _outcome(job: Job, future: Any) -> list[Row]:
    try:
        rows: list[Row] = future.result()
        return rows
    except Exception as error:  # a worker died, or cannot import perioview
        return [fault_row(job, f"worker failed ({type(error).__name__}: {error})")]
