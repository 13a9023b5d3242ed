"""The command line. Exit 0 when done, 2 on bad usage, 1 with one clear line otherwise."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from tqdm import tqdm

from kb import __version__, assets, system
from kb.cli import export, installation, meter, people
from kb.config import Settings, described
from kb.errors import BadInput, KbError
from kb.model import explain
from kb.service import Shop, sheets
from kb.service.boards import pictures
from kb.service.diagnose.import_facts import ImportReading
from kb.service.operate import backup_files, integrity
from kb.service.transfer import json_lines, relocate

_FAULTS_TOLD = 20


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; returns its exit status."""
    for stream in (sys.stdout, sys.stderr):
        system.write_anything(stream)
    parsed = _parser().parse_args(arguments)
    # Whatever a command writes, exports and copies too, is for the account alone that runs it.
    before = os.umask(0o077)
    try:
        return int(parsed.run(parsed))
    except KbError as error:
        print(f"kb: {error.message}{' ' + error.remedy if error.remedy else ''}", file=sys.stderr)
    except BrokenPipeError:
        # The reader of our output has gone; say nothing, as a well-behaved filter does.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except KeyboardInterrupt:
        print("kb: stopped; nothing was left half-written.", file=sys.stderr)
    except OSError as error:
        print(f"kb: {error.filename or 'a file'}: {error.strerror}.", file=sys.stderr)
    finally:
        os.umask(before)
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="kb",
        description="A local knowledge base of board faults.",
        epilog="Exit status 0 means done, 2 bad usage, 1 anything else with one line that says what to do. "
        "kb COMMAND --help explains a command, kb settings the settings; the rest is under Help in the browser.",
    )
    parser.add_argument("--version", action="version", version=f"kb {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    _add_serve(commands)
    _add_import(commands)
    export.add_to(commands, open_shop)
    reindex = commands.add_parser("reindex", help="build the search index again")
    reindex.set_defaults(run=_reindex)

    backup = commands.add_parser("backup", help="write a proved copy of the store to a file")
    backup.add_argument("file", metavar="FILE")
    backup.add_argument(
        "--passphrase",
        action="store_true",
        help="ask for a passphrase and seal the file: without it nobody can read it or change it unseen",
    )
    backup.set_defaults(run=_backup)

    restore = commands.add_parser("restore", help="put a backup in the place of the store")
    restore.add_argument("file", metavar="FILE")
    restore.set_defaults(run=_restore)

    _add_move(commands)
    check = commands.add_parser("check", help="prove the store and mend what is derived from it")
    check.add_argument("--backups", action="store_true", help="read all backups through as well")
    check.set_defaults(run=_check)
    settings = commands.add_parser("settings", help="list all settings, each with its default and purpose")
    settings.set_defaults(run=_list_settings)
    installation.add_to(commands, _settings, open_shop)
    people.add_to(commands, open_shop)
    meter.add_to(commands, _settings)
    return parser


def _list_settings(parsed: argparse.Namespace) -> int:
    for entry in described():
        print(f"{entry.name} ({entry.default})\n    {entry.purpose}")
    print(
        "Set them in the environment, or in the settings file: the same names in lower case and without KB_, "
        'one a line (shop_name = "Bench on the quay"). The environment wins.'
    )
    return 0


def _add_import(commands: Any) -> None:
    bring_in = commands.add_parser("import", help="bring in records from a JSON Lines file, or a spreadsheet")
    bring_in.add_argument("file", metavar="FILE", help="the file, or - for standard input")
    bring_in.add_argument(
        "--create-missing", action="store_true", help="add families, symptoms and part classes not yet known"
    )
    bring_in.add_argument(
        "--skip-bad", action="store_true", help="keep the good lines where others are refused"
    )
    bring_in.add_argument(
        "--read-texts",
        action="store_true",
        help="add the symptoms, readings and fixes that complaints and notes state and the records do not hold",
    )
    bring_in.add_argument(
        "--mapping", metavar="NAME", help="the file is a spreadsheet, read as this saved mapping says"
    )
    bring_in.add_argument(
        "--dry-run", action="store_true", help="with --mapping: say what would come in, and keep nothing"
    )
    bring_in.add_argument(
        "--refused", metavar="CSV", help="with --mapping: write the refused rows there, with the reasons"
    )
    bring_in.add_argument(
        "--overwrite", action="store_true", help="the file wins over newer versions and the bin"
    )
    bring_in.set_defaults(run=_import)


def _add_move(commands: Any) -> None:
    move = commands.add_parser("move", help="copy the whole store into another database, or back")
    where = move.add_mutually_exclusive_group(required=True)
    place = "an address as KB_DATABASE_URL takes it, or an SQLite file"
    where.add_argument("--to", default="", metavar="PLACE", help=f"the empty database to copy into: {place}")
    where.add_argument(
        "--from", dest="origin", default="", metavar="PLACE", help=f"the store to copy: {place}"
    )
    move.set_defaults(run=_move)


def _add_serve(commands: Any) -> None:
    serve = commands.add_parser("serve", help="serve the pages on this machine")
    serve.add_argument(
        "--host", default="127.0.0.1", help="address to listen on; any but this machine's own needs accounts"
    )
    serve.add_argument(
        "--port", type=installation.port, default=8765, help="port to listen on; 0 takes a free one"
    )
    serve.add_argument("--demo", action="store_true", help="use invented records that are thrown away")
    serve.add_argument("--no-browser", action="store_true", help="do not open the browser")
    installation.add_certificate_options(serve)
    serve.set_defaults(run=_serve)


def _settings() -> Settings:
    try:
        return Settings.load()
    except ValidationError as error:
        problem = explain(error)
        name = f"KB_{(problem.field or '').upper()}"
        raise BadInput(
            f"The setting {name} cannot be used: {problem.message}", remedy=problem.remedy
        ) from error


@contextlib.contextmanager
def _shop(settings: Settings) -> Iterator[Shop]:
    shop = Shop.open(settings)
    try:
        yield shop
    finally:
        shop.close()


def open_shop() -> contextlib.AbstractContextManager[Shop]:
    """The shop that the settings name."""
    return _shop(_settings())


def _serve(parsed: argparse.Namespace) -> int:
    from kb.web import server  # the web framework takes a moment that other commands need not wait for

    settings = _settings()
    if not parsed.demo:
        tls = installation.certificate(parsed, settings)
        with _shop(settings) as shop:
            with tqdm(
                unit=" cases", desc="catching up", file=sys.stderr, leave=False, disable=None, delay=1
            ) as bar:
                shop.refresh(lambda done: _bring_to(bar, done))
            server.run(shop, parsed.host, parsed.port, browser=not parsed.no_browser, tls=tls)
        return 0
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="kb-demo-"))
        # Even a configured database is left alone: demo records never meet real ones.
        settings = settings.model_copy(update={"data": Path(folder), "database_url": "", "files": ""})
        tls = installation.certificate(parsed, settings)
        shop = stack.enter_context(_shop(settings))
        lines = stack.enter_context((assets.folder("seed_data") / "demo.jsonl").open("rb"))
        json_lines.bring_in(shop, lines)
        boards = assets.folder("seed_data") / "boards"
        pictures.lay_in(shop, sorted(boards.glob("*.webp")))
        json_lines.bring_in(shop, stack.enter_context((boards / "boards.jsonl").open("rb")))
        server.run(shop, parsed.host, parsed.port, browser=not parsed.no_browser, demo=True, tls=tls)
    return 0


def _bring_to(bar: tqdm, done: int) -> None:
    bar.update(done - bar.n)


def _import(parsed: argparse.Namespace) -> int:
    if parsed.mapping:
        return _import_sheet(parsed)
    if parsed.dry_run or parsed.refused:
        raise BadInput("--dry-run and --refused are for spreadsheets.", remedy="Name a saved --mapping too.")
    settings = _settings()
    with contextlib.ExitStack() as stack:
        source = sys.stdin.buffer if parsed.file == "-" else stack.enter_context(open(parsed.file, "rb"))
        total = None if parsed.file == "-" else os.fstat(source.fileno()).st_size
        shop = stack.enter_context(_shop(settings))
        bar = stack.enter_context(
            tqdm(
                total=total,
                unit="B",
                unit_scale=True,
                desc="importing",
                file=sys.stderr,
                leave=False,
                disable=None,
            )
        )
        report = json_lines.bring_in(
            shop,
            source,
            create_missing=parsed.create_missing,
            skip_bad=parsed.skip_bad,
            overwrite=parsed.overwrite,
            progress=bar.update,
            refresh=False,
            read_texts=ImportReading(shop, create_missing=parsed.create_missing)
            if parsed.read_texts
            else None,
        )
    for problem in report.problems:
        where = f" ({problem.field})" if problem.field else ""
        print(
            f"line {problem.line}{where}: {problem.message} {problem.remedy or ''}".rstrip(), file=sys.stderr
        )
    counts = f"{report.added} added, {report.updated} updated, {report.unchanged} unchanged, {report.refused} refused"
    if not report.saved:
        print(f"kb: nothing was imported: {report.refused} of the lines cannot be used.", file=sys.stderr)
        return 1
    print(counts)
    if report.conflicting:
        print(
            f"{report.conflicting} left as they are, since the store has moved on (--overwrite takes the file's):"
        )
        print("".join(f"  {line}\n" for line in report.conflicts), end="")
    if parsed.read_texts:
        found = ", ".join(f"{count} {kind}" for kind, count in report.read)
        print(f"read from complaints and notes: {found or 'nothing that was not there'}")
    if report.origin:
        print(f"from {report.origin}; {report.ours} of your own came back and were left as they are")
    print("".join(f"described differently, yours stays: {line}\n" for line in report.differences), end="")
    return 0


def _import_sheet(parsed: argparse.Namespace) -> int:
    if parsed.read_texts:
        raise BadInput("--read-texts does not go with --mapping.", remedy="The mapping says what is read.")
    if parsed.create_missing:
        raise BadInput(
            "--create-missing does not go with --mapping.", remedy="The mapping says what is added."
        )
    with contextlib.ExitStack() as stack:
        source = stack.enter_context(open(parsed.file, "rb"))
        shop = stack.enter_context(_shop(_settings()))
        mapping = sheets.mapping_named(shop, parsed.mapping)
        sheet = sheets.take(shop, parsed.file, source)
        stack.callback(sheets.forget, shop, sheet.id)
        with _rows_bar("reading", "rows") as bar:
            sheets.read(shop, sheet, bar.update)
        sheets.apply_mapping(sheet, mapping)
        with _rows_bar("checking", "rows", sheet.rows) as bar:
            counts = sheets.check(shop, sheet, bar.update)
        for why, (number, row) in sorted(counts.reasons.items(), key=lambda entry: -entry[1][0]):
            more = f" and {number - 1} more" if number > 1 else ""
            print(f"row {row}{more}: {why}", file=sys.stderr)
        if parsed.refused:
            Path(parsed.refused).write_bytes(sheets.refused_file(shop, sheet).read_bytes())
        said = f"{counts.added} added, {counts.updated} updated, {counts.unchanged} unchanged, {counts.refused} refused"
        if parsed.dry_run:
            print(f"would be: {said}")
            return 0
        if counts.refused and not parsed.skip_bad:
            print(f"kb: nothing was imported: {counts.refused} cases cannot be used.", file=sys.stderr)
            return 1
        with _rows_bar("importing", "cases", counts.added + counts.updated + counts.unchanged) as bar:
            report = sheets.run(shop, sheet, bar.update)
        for problem in report.problems:
            print(f"{problem.message} {problem.remedy or ''}".rstrip(), file=sys.stderr)
        if not report.saved:
            print("kb: nothing was imported: the store changed meanwhile. Try again.", file=sys.stderr)
            return 1
        print(said)
    return 0


def _rows_bar(what: str, unit: str, total: int | None = None) -> tqdm:
    return tqdm(desc=what, unit=f" {unit}", total=total, file=sys.stderr, leave=False, disable=None)


def _backup(parsed: argparse.Namespace) -> int:
    target = Path(parsed.file)
    passphrase = people.asked("Passphrase: ", twice=True) if parsed.passphrase else None
    with _bytes_bar("backing up") as told:
        manifest = backup_files.back_up(_settings(), target, told, passphrase=passphrase)
    held = ", ".join(f"{count:,} {kind}" for kind, count in backup_files.counted(manifest))
    print(
        f"backed up to {target}, {target.stat().st_size:,} bytes: {held}; every part was read back and proved"
    )
    for name in manifest.damaged:
        print(f"kb: {name} was damaged before it was backed up. Run kb check.", file=sys.stderr)
    for name in manifest.missing:
        print(f"kb: {name} belongs to a case and is not there. Run kb check.", file=sys.stderr)
    return 0


def _restore(parsed: argparse.Namespace) -> int:
    done = backup_files.restore(_settings(), Path(parsed.file), lambda: people.asked("Passphrase: "))
    print(f"restored {parsed.file}")
    if done.brought_up:
        print(f"its records were brought up from schema {done.schema} to the present one")
    if done.files:
        print(f"{done.files:,} files were put back")
    if done.kept:
        damaged = ", damaged as it was," if done.kept_is_damaged else ""
        print(f"the store that was there{damaged} is kept as {done.kept}")
    if done.restart:
        print("start kb serve again: it still shows the damaged store")
    return 0


def _move(parsed: argparse.Namespace) -> int:
    with _rows_bar("copying", "rows") as rows_bar, _rows_bar("proving photographs", "files") as files_bar:

        def tell(bar: tqdm, done: int, total: int) -> None:
            bar.total = total
            _bring_to(bar, done)

        moved = relocate.move(
            _settings(),
            to=parsed.to,
            origin=parsed.origin,
            progress=partial(tell, rows_bar),
            files_progress=partial(tell, files_bar),
        )
    for table, rows in moved.rows.items():
        print(f"{table:<20}{rows:>12,}")
    print(f"{sum(moved.rows.values()):,} rows copied; every table holds as many in both stores")
    print(f"SHA-256 of the records is the same in both: {moved.sha256}")
    files = moved.files
    sound = files.referred - files.missing
    print(
        f"{sound:,} of {files.referred:,} photographs and files are whole in {files.folder}, "
        f"{files.copied:,} of them copied there now"
    )
    if parsed.to:
        print("set KB_DATABASE_URL to the new place to work there; the old store was left as it is")
    for fault in files.faults[:_FAULTS_TOLD]:
        print(fault)
    if files.faults:
        print(
            f"kb: {files.missing:,} photographs and files are missing or damaged. Copy them into "
            f"{files.folder} from the machine or the backup that has them, then run kb check there.",
            file=sys.stderr,
        )
    return 1 if files.faults else 0


@contextlib.contextmanager
def _bytes_bar(title: str) -> Iterator[Callable[[int, int], None]]:
    with tqdm(
        unit="B", unit_scale=True, desc=title, file=sys.stderr, leave=False, disable=None, delay=1
    ) as bar:

        def told(done: int, total: int) -> None:
            bar.total = total
            _bring_to(bar, done)

        yield told


def _check(parsed: argparse.Namespace) -> int:
    settings = _settings()
    with _shop(settings) as shop:
        found = integrity.check(shop, backups_too=parsed.backups)
    for line in found.mended:
        print(f"mended: {line}")
    for fault in found.faults:
        print(f"fault: {fault.what} {fault.remedy}", file=sys.stderr)
    if found.faults:
        print(
            f"kb: {len(found.faults)} things are not in order, and what to do stands above.", file=sys.stderr
        )
        return 1
    print("all in order: " + "; ".join(found.proved))
    return 0


def _reindex(parsed: argparse.Namespace) -> int:
    with (
        _shop(_settings()) as shop,
        tqdm(unit=" cases", desc="indexing", file=sys.stderr, leave=False, disable=None) as bar,
    ):
        count = shop.derived.rebuild_index(lambda done: _bring_to(bar, done))
    print(f"{count} cases indexed")
    return 0
