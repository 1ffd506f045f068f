"""Result sheets grafted into the user's workbook.

Rule: sheets of a scratch workbook move with all they lead to (tables, drawings, charts, notes) into the
user's package under part names of their own; parts of an earlier run are replaced. Every other part keeps its
compressed bytes, except five indexes that keep all they held: content types, the workbook part, its
relations, styles, document property counts. Where a spreadsheet program has entered cells of an old result
sheet into the calculation chain, those entries go, as their formulas may be gone.

Conventions: a result sheet that is there keeps its tab's place, its visibility and its tables' numbers; a new
one takes its place among those of an order (`indexes.tab_order`). The workbook asks to be calculated when opened.

What it does not do: it writes no file, and it never touches a sheet of the user's, with one exception that is
asked for: the stored values of formulas that depend on results.
"""

from __future__ import annotations

import dataclasses
import html
import posixpath
import re
from collections.abc import Collection, Iterator, Mapping, Sequence

from costing.errors import WorkbookError
from costing.workbook.file import indexes, result_parts
from costing.workbook.file.archive import Member, pack
from costing.workbook.file.dependents import without_stored_values
from costing.workbook.file.long_tables import LongTable, with_rows
from costing.workbook.file.package import (
    TYPES_PART,
    Package,
    parse_xml,
    read_package,
    rebuild,
    serialize_xml,
    shown,
)
from costing.workbook.file.scan import all_tables
from costing.workbook.file.sheets import (
    REL,
    Book,
    Tab,
    chain_without,
    exclusive_parts,
    read_book,
    relations,
    rels_part,
    require_free,
)
from costing.workbook.file.styles import AppendedStyles, append_styles

_STYLES_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"
_MOVABLE = {"worksheet", "theme", "styles", "sharedStrings"}
_CODE_NAME = re.compile(rb"<(?:[\w.-]+:)?sheetPr[^>]*?\scodeName\s*=\s*[\"']([^\"']*)[\"']")


def graft(
    package: Package,
    scratch: bytes,
    owned_sheet_names: Collection[str],
    *,
    long_tables: Sequence[LongTable] = (),
    strip_dependents: bool = False,
    inputs: Collection[str] = (),
    order: Sequence[str] = (),
) -> bytes:
    """Return the user's workbook with the sheets of `scratch`, which holds nothing else.

    scratch: a workbook as XlsxWriter writes it, but for the rows of `long_tables`, which are set here.
    owned_sheet_names: every result sheet that the library may write; `scratch` may hold fewer, and the others stay as
    they are. strip_dependents: take the stored values out of the user's formulas that depend on result sheets, so
    that a program that can't calculate sees nothing rather than an old figure. inputs: those of the sheets that are
    the user's to fill in from now on: they bear no mark, and take the place of a sheet of that name. order: names of
    result sheets as a reader meets them, in which new ones take their places.

    Raises WorkbookError where a sheet of the user's has a result sheet's name, where something of the
    user's stands on a result sheet, or where the name of a table is taken.
    """
    source = read_package(scratch, "results.xlsx", ours=True)
    results, book = read_book(source), read_book(package)
    _check_results(results, owned_sheet_names)
    for sheet in results.sheets:
        if sheet.name not in inputs:
            require_free(book, sheet.name)
    replaced = [old for sheet in results.sheets if (old := book.sheet(sheet.name))]
    for sheet in replaced:
        result_parts.refuse_additions(package, sheet)
    numbers = _table_numbers(book, results, replaced)
    _check_names(book, results)
    removed = exclusive_parts(book, replaced)

    user_styles = book.related("styles")
    styles_part = user_styles or _free_name(posixpath.dirname(book.part), "styles.xml", set(package.members))
    styles = append_styles(
        package.part(user_styles) if user_styles else None, source.part(results.related("styles") or "")
    )
    names = _new_names(results, set(package.members) - removed)
    changed: dict[str, bytes | Member] = {styles_part: styles.content}
    chain, shortened = _shortened_chain(book, replaced)
    if shortened:
        changed[chain] = shortened
    elif chain:
        removed = removed | {chain}
    kinds = result_parts.content_types(source)
    types = {new: kinds[old] for old, new in names.items()}
    if not user_styles:
        types[styles_part] = _STYLES_TYPE
    tabs = _tabs(book, results, order)
    changed |= _changed_indexes(book, results, names, types, removed, tabs, inputs)
    changed |= _moved_parts(book, results, names, styles, numbers, long_tables)
    grafted = rebuild(package, changed, removed)
    if not strip_dependents:
        return grafted
    # The new sheets bring names that formulas may have waited for, so these are looked for only now.
    whole = read_package(grafted, package.path, ours=True)
    return rebuild(whole, without_stored_values(whole, owned_sheet_names))


def _check_results(results: Book, owned_sheet_names: Collection[str]) -> None:
    kinds = {relation.kind for relation in relations(results.package, results.part)}
    strangers = [sheet.name for sheet in results.sheets if sheet.name not in owned_sheet_names]
    unmovable = sorted(kinds - _MOVABLE)
    if strangers or unmovable or results.related("styles") is None:
        what = ", ".join(strangers or unmovable) or "no styles"
        msg = f"The result sheets hold what can't be moved ({shown(what)}); nothing was written."
        raise WorkbookError(msg)


def _table_numbers(book: Book, results: Book, replaced: list[Tab]) -> dict[str, int]:
    """Return the number of each new table by part: that of its namesake that is replaced, or a free one."""
    replaced_names = {sheet.name for sheet in replaced}
    present = all_tables(book)
    old = {table.name.casefold(): table.number for sheet, table in present if sheet.name in replaced_names}
    foreign = {table.name.casefold(): sheet.name for sheet, table in present if sheet.name not in replaced_names}
    global_names = {name.name.casefold() for name in book.names if name.index is None}
    following = 1 + max((table.number for _, table in present), default=0)
    numbers = {}
    for _, table in all_tables(results):
        key = table.name.casefold()
        if key in foreign or key in global_names:
            where = f" on sheet '{shown(foreign[key])}'" if key in foreign else " among the defined names"
            msg = f"The name '{table.name}'{where} is the name of a result table. Rename it, and run again."
            raise WorkbookError(msg)
        if key not in old:
            old[key], following = following, following + 1
        numbers[table.part] = old[key]
    return numbers


def _check_names(book: Book, results: Book) -> None:
    """WorkbookError where a name of the results would take the place of one of the user's."""
    present = {name.name.casefold(): name for name in book.names if name.index is None}
    for new in results.names:
        old = present.get(new.name.casefold()) if new.index is None else None
        if old and not any(sheet.name.casefold() in old.text.casefold() for sheet in results.sheets):
            msg = f"The defined name '{shown(old.name)}' is taken by the results. Rename it, and run again."
            raise WorkbookError(msg)


def _new_names(results: Book, taken: Collection[str]) -> dict[str, str]:
    """Name in the user's package of every part that the result sheets lead to, themselves first."""
    used = set(taken)
    names: dict[str, str] = {}
    waiting = [sheet.part for sheet in reversed(results.sheets)]
    while waiting:
        part = waiting.pop()
        if part in names:
            continue
        folder, base = posixpath.split(part)
        names[part] = _free_name(folder, f"{result_parts.SIGNATURE}_{base}", used)
        used.add(names[part])
        waiting += [rel.target for rel in reversed(relations(results.package, part)) if not rel.external]
    return names


def _free_name(folder: str, base: str, taken: Collection[str]) -> str:
    """Name of a part, numbered where another part, or other relations, have that name but for case."""
    folded = {name.casefold() for name in taken}
    stem, dot, suffix = base.rpartition(".")
    name, count = posixpath.join(folder, base), 1
    while {name.casefold(), rels_part(name).casefold()} & folded:
        count += 1
        name = posixpath.join(folder, f"{stem}_{count}{dot}{suffix}")
    return name


def _tabs(book: Book, results: Book, order: Sequence[str]) -> list[str]:
    """Names of all tabs of the workbook, the new ones in their places."""
    new = [sheet.name for sheet in results.sheets if book.sheet(sheet.name) is None]
    present, ours = [sheet.name for sheet in book.sheets], [sheet.name for sheet in book.owned()]
    return indexes.tab_order(present, ours, new, order)


def _places(book: Book, results: Book, tabs: Sequence[str]) -> dict[int, int]:
    """Place in the workbook of each result sheet's tab."""
    old = {sheet.index: book.sheet(sheet.name) for sheet in results.sheets}
    return {sheet.index: tabs.index((old[sheet.index] or sheet).name) for sheet in results.sheets}


def _shortened_chain(book: Book, replaced: list[Tab]) -> tuple[str, bytes]:
    """Name and content of the calculation chain, both empty unless it lists cells of replaced sheets."""
    chain = book.related("calcChain") or ""
    shortened = None
    if chain:
        shortened = chain_without(book.package.part(chain), chain, {sheet.sheet_id for sheet in replaced})
    return ("", b"") if shortened is None else (chain, shortened)


def _changed_indexes(
    book: Book,
    results: Book,
    names: Mapping[str, str],
    types: Mapping[str, str],
    removed: Collection[str],
    tabs: Sequence[str],
    inputs: Collection[str],
) -> dict[str, bytes]:
    package = book.package
    types_part = package.locate(TYPES_PART) or TYPES_PART
    rels_name = package.locate(rels_part(book.part)) or rels_part(book.part)
    workbook = parse_xml(package.part(book.part), book.part)
    rels = parse_xml(package.part(rels_name), rels_name)
    type_list = parse_xml(package.part(types_part), types_part)
    indexes.set_types(type_list, removed, types)
    if book.related("calcChain") in removed:
        indexes.drop_relations(rels, "calcChain")
    for sheet in results.sheets:
        old = book.sheet(sheet.name)
        rel_id = old.rel_id if old else ""
        rel_id = indexes.relate(rels, book.part, f"{REL}/worksheet", names[sheet.part], rel_id)
        if old is None:
            indexes.add_sheet(workbook, sheet.name, rel_id, sheet.state)
    indexes.order_tabs(workbook, tabs)
    indexes.set_names(workbook, results, _places(book, results, tabs), inputs)
    if not all(sheet.name in inputs for sheet in results.sheets):  # nothing of the user's depends on new input sheets
        indexes.ask_calculation(workbook)
    changed = {}
    for part in set(types) - set(names.values()):
        indexes.relate(rels, book.part, f"{REL}/styles", part)
    app = next((rel.target for rel in relations(package, "") if rel.kind == "extended-properties"), "")
    if app_part := package.locate(app):
        properties = parse_xml(package.part(app_part), app_part)
        others = {sheet.name for sheet in book.sheets if sheet.kind != "worksheet"}
        worksheets = [sheet.name for sheet in book.sheets if sheet.name not in others]
        if indexes.set_titles(properties, worksheets, [name for name in tabs if name not in others]):
            changed[app_part] = serialize_xml(properties)
    return changed | {
        types_part: serialize_xml(type_list),
        book.part: serialize_xml(workbook),
        rels_name: serialize_xml(rels),
    }


def _moved_parts(
    book: Book,
    results: Book,
    names: Mapping[str, str],
    styles: AppendedStyles,
    numbers: Mapping[str, int],
    long_tables: Sequence[LongTable],
) -> Iterator[tuple[str, bytes | Member]]:
    """Every part of the result sheets under its new name, fit for the user's package, and its relations."""
    source, strings = results.package, result_parts.inline_strings(results)
    by_part = {sheet.part: sheet for sheet in results.sheets}
    active = indexes.active_tab(parse_xml(book.package.part(book.part), book.part))
    in_front = book.sheets[active].name if active < len(book.sheets) else ""
    kinds = result_parts.content_types(source)
    for part, new in names.items():
        if part in by_part:
            sheet = by_part[part]
            content = result_parts.sheet_content(
                source.part(part),
                styles,
                strings,
                selected=sheet.name.casefold() == in_front.casefold(),
                code_name=_code_name(book, sheet.name),
            )
            of_sheet = [table for table in long_tables if table.sheet == sheet.index]
            yield new, pack(new, with_rows(content, of_sheet))
        elif part in numbers:
            yield new, result_parts.table_content(source.part(part), styles, numbers[part])
        elif sign := result_parts.SIGNING.get(kinds[part].rpartition(".")[2]):
            yield new, sign(source.part(part))
        else:
            yield new, dataclasses.replace(source.members[part], name=new)
        if kept := relations(source, part):
            yield rels_part(new), indexes.relations_content(new, kept, names)


def _code_name(book: Book, name: str) -> str:
    """Name by which macros know the sheet that is replaced; empty where there is none."""
    old = book.sheet(name)
    match = _CODE_NAME.search(book.package.part(old.part)[:65_536]) if old else None
    return html.unescape(match[1].decode("utf-8", "replace")) if match else ""
