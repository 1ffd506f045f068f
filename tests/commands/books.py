"""Workbooks and folders that the command tests share."""

from __future__ import annotations

import hashlib
from pathlib import Path


def digest(path: Path) -> str:
    """Digest of a file, to see whether it changed."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def first_hour(folder: Path) -> Path:
    """Opening stock, tirage and dry goods alone: nothing disgorged, no rate of interest."""
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "opening_stock.csv").write_text(
        "Date,Lot,Kind,Quantity,Unit\n2025-01-01,V24,wine,90,hl\n", encoding="utf-8"
    )
    (folder / "tirage.csv").write_text(
        "Date,Cuvée,Bottle lot,Wine lot,Bottles\n2025-04-15,Brume,T25,V24,8000\n", encoding="utf-8"
    )
    (folder / "dry_goods.csv").write_text(
        "From,Stage,Item,Unit price\n2024-01-01,tirage,glass,1.25\n", encoding="utf-8"
    )
    return folder
