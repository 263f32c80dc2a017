"""Finds, sightings, the log of decisions; descriptions apart from references.

What an older catalogue holds is taken over as decisions of the machine, one a record, so that the log tells the
whole catalogue from the beginning.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_LARGE = ("hashes", "points", "angles", "scales", "descriptors")


def upgrade() -> None:
    bind = op.get_bind()
    for name in ("series", "issuer_mark", "caption_place"):
        kind = sa.Text() if name == "issuer_mark" else sa.String()
        op.add_column("records", sa.Column(name, kind, nullable=False, server_default=""))
    _create_registers()
    _move_descriptions(bind)
    copies = [dict(row._mapping) for row in bind.execute(sa.text("SELECT * FROM copies ORDER BY id"))]
    references = list(_small_rows(bind))
    op.drop_table("references")
    op.drop_table("copies")
    _create_copies_and_references()
    _create_finds_and_sightings()
    meta = sa.MetaData()
    meta.reflect(bind, only=["records", "copies", "references", "decisions", "catalogue", "given", "images"])
    _insert(bind, meta.tables["copies"], copies)
    _insert(bind, meta.tables["references"], references)
    suffixes = {row["sha256"]: row["suffix"] for row in references}
    _insert(bind, meta.tables["images"], [{"sha256": s, "suffix": suffix} for s, suffix in sorted(suffixes.items())])
    given = {"copies": copies, "references": references}
    last = {kind: max(row["id"] for row in rows) for kind, rows in given.items() if rows}
    last["references"] = max(last.get("references", 0), _last_reference(bind))
    _insert(bind, meta.tables["given"], [{"kind": k, "last": n} for k, n in sorted(last.items()) if n])
    catalogue_id = uuid.uuid4().hex
    bind.execute(sa.insert(meta.tables["catalogue"]).values(id=catalogue_id))
    _take_over(bind, meta, catalogue_id, copies, references)


def _create_registers() -> None:
    op.create_table(
        "catalogue", sa.Column("id", sa.String(32), nullable=False), sa.PrimaryKeyConstraint("id", name="pk_catalogue")
    )
    op.create_table(
        "given",
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("kind", name="pk_given"),
    )
    op.create_table(
        "images",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_images"),
    )
    op.create_table(
        "decisions",
        sa.Column("number", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("batch", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("actor", sa.String(8), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("action", sa.String(24), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.Column("changes", sa.JSON(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.CheckConstraint("actor IN ('person', 'machine')", name=op.f("ck_decisions_actor")),
        sa.PrimaryKeyConstraint("number", name="pk_decisions"),
    )
    for column in ("about", "batch", "undoes"):
        op.create_index(f"ix_decisions_{column}", "decisions", [column])
    op.create_table(
        "series",
        *(sa.Column(name, sa.String(), nullable=False) for name in ("series",)),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("issuer", sa.Text(), nullable=False),
        sa.Column("years", sa.String(), nullable=False),
        sa.Column("width_mm", sa.String(), nullable=False),
        sa.Column("height_mm", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("series", name="pk_series"),
    )
    op.create_table(
        "spellings",
        sa.Column("spelling", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("spelling", name="pk_spellings"),
    )
    op.create_index("ix_spellings_subject", "spellings", ["subject"])
    op.create_table(
        "poses",
        sa.Column("pose", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("outline", sa.String(16), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("pose", name="pk_poses"),
    )
    op.create_table(
        "crops",
        sa.Column("pose", sa.String(), nullable=False),
        sa.Column("crop", sa.String(), nullable=False),
        sa.Column("window_mm", sa.JSON(), nullable=False),
        sa.Column("sigma_mm", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("pose", "crop", name="pk_crops"),
    )
    op.create_table(
        "tokens",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("scope", sa.String(8), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.CheckConstraint("scope IN ('read', 'decide', 'manage')", name=op.f("ck_tokens_scope")),
        sa.PrimaryKeyConstraint("name", name="pk_tokens"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
    )
    op.create_table(
        "answered",
        sa.Column("key", sa.String(128), nullable=False),
        sa.Column("request", sa.String(64), nullable=False),
        sa.Column("decision", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_answered"),
    )


def _move_descriptions(bind: sa.Connection) -> None:
    op.create_table(
        "descriptions",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("outline", sa.String(16), nullable=False),
        sa.Column("fingerprint", sa.String(16), nullable=False),
        *(sa.Column(name, sa.LargeBinary(), nullable=False) for name in _LARGE),
        sa.PrimaryKeyConstraint("sha256", "outline", name="pk_descriptions"),
    )
    table = sa.Table("descriptions", sa.MetaData(), autoload_with=bind)
    old = sa.Table("references", sa.MetaData(), autoload_with=bind)
    done: set[tuple[str, str]] = set()
    ids = list(bind.execute(sa.select(old.c.id).order_by(old.c.id)).scalars())
    for identifier in ids:
        row = bind.execute(sa.select(old).where(old.c.id == identifier)).one()._mapping
        key = (row["sha256"], _outline(row["quad"]))
        if key not in done:
            done.add(key)
            large = {name: row[name] for name in ("fingerprint", *_LARGE)}
            bind.execute(sa.insert(table).values(sha256=key[0], outline=key[1], **large))


def _small_rows(bind: sa.Connection) -> Iterator[dict[str, Any]]:
    old = sa.Table("references", sa.MetaData(), autoload_with=bind)
    columns = [column for column in old.columns if column.name not in ("fingerprint", *_LARGE)]
    for row in bind.execute(sa.select(*columns).order_by(old.c.id)):
        yield {**row._mapping, "seen_on": "", "outline": _outline(row._mapping["quad"])}


def _last_reference(bind: sa.Connection) -> int:
    """The highest id that SQLite has given out, also where that reference is gone."""
    if bind.dialect.name != "sqlite":
        return 0
    return int(bind.execute(sa.text("SELECT seq FROM sqlite_sequence WHERE name = 'references'")).scalar() or 0)


def _create_copies_and_references() -> None:
    op.create_table(
        "copies",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("label", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["record_id"], ["records.record_id"], name="fk_copies_record_id_records"),
        sa.PrimaryKeyConstraint("id", name="pk_copies"),
        sa.UniqueConstraint("record_id", "label", name="uq_copies_record_id_label"),
    )
    op.create_table(
        "references",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("extra", sa.JSON(), nullable=False),
        sa.Column("added_at", sa.DateTime(), nullable=False),
        sa.Column("seen_on", sa.String(10), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("quad", sa.JSON(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("outline", sa.String(16), nullable=False),
        sa.ForeignKeyConstraint(["copy_id"], ["copies.id"], name="fk_references_copy_id_copies"),
        sa.ForeignKeyConstraint(["record_id"], ["records.record_id"], name="fk_references_record_id_records"),
        sa.PrimaryKeyConstraint("id", name="pk_references"),
        sa.UniqueConstraint("record_id", "sha256", name="uq_references_record_id_sha256"),
    )
    op.create_index("ix_references_copy_id", "references", ["copy_id"])
    op.create_index("ix_references_sha256", "references", ["sha256"])


def _create_finds_and_sightings() -> None:
    op.create_table(
        "finds",
        sa.Column("find_id", sa.String(16), nullable=False),
        sa.Column("state", sa.String(8), nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
        sa.Column("pose", sa.String(), nullable=True),
        sa.Column("crop", sa.String(), nullable=True),
        sa.Column("record_id", sa.String(), nullable=True),
        sa.Column("reference_id", sa.Integer(), nullable=True),
        sa.Column("proposed_at", sa.DateTime(), nullable=False),
        sa.Column("proposed_by", sa.Text(), nullable=False),
        *_picture_columns(),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("seen_on", sa.String(10), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'accepted', 'merged', 'rejected')", name=op.f("ck_finds_state")),
        sa.ForeignKeyConstraint(["record_id"], ["records.record_id"], name="fk_finds_record_id_records"),
        sa.ForeignKeyConstraint(["reference_id"], ["references.id"], name="fk_finds_reference_id_references"),
        sa.PrimaryKeyConstraint("find_id", name="pk_finds"),
    )
    op.create_index("ix_finds_card", "finds", ["sha256", "outline"])
    for column in ("record_id", "reference_id", "state"):
        op.create_index(f"ix_finds_{column}", "finds", [column])
    op.create_table(
        "sightings",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("record_id", sa.String(), nullable=False),
        sa.Column("copy_id", sa.Integer(), nullable=True),
        sa.Column("seen_on", sa.String(10), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("confirmed", sa.Boolean(), nullable=False),
        *_picture_columns(),
        sa.Column("residual_contrast", sa.Double(), nullable=True),
        sa.Column("suggested_reference", sa.Integer(), nullable=True),
        sa.Column("suggested_probability", sa.Double(), nullable=True),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["copy_id"], ["copies.id"], name="fk_sightings_copy_id_copies"),
        sa.ForeignKeyConstraint(["record_id"], ["records.record_id"], name="fk_sightings_record_id_records"),
        sa.PrimaryKeyConstraint("id", name="pk_sightings"),
    )
    for column in ("copy_id", "record_id"):
        op.create_index(f"ix_sightings_{column}", "sightings", [column])


def _picture_columns() -> list[sa.Column[Any]]:
    return [
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("suffix", sa.String(8), nullable=False),
        sa.Column("outline", sa.String(16), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("quad", sa.JSON(), nullable=False),
    ]


def _take_over(
    bind: sa.Connection,
    meta: sa.MetaData,
    catalogue_id: str,
    copies: list[dict[str, Any]],
    references: list[dict[str, Any]],
) -> None:
    """One decision a record, of the machine: with what it found there."""
    digest = hashlib.sha256(f"platekin catalogue {catalogue_id}".encode()).hexdigest()
    records = meta.tables["records"]
    now = datetime.now(UTC)
    by_record: dict[str, list[dict[str, Any]]] = {}
    for table, rows in (("copies", copies), ("references", references)):
        for row in rows:
            by_record.setdefault(row["record_id"], []).append(_new(table, [row["id"]], row))
    for number, found in enumerate(bind.execute(sa.select(records).order_by(records.c.record_id)).all(), start=1):
        record = dict(found._mapping)
        record_id = record["record_id"]
        told = {
            "number": number, "batch": 1, "at": now.isoformat(), "actor": "machine", "by": "platekin (r0002)",
            "action": "taken_over", "about": record_id, "outcome": "taken over from an older catalogue",
            "evidence": {}, "note": "", "undoes": None,
            "changes": [_new("records", [record_id], record), *by_record.get(record_id, [])],
        }  # fmt: skip
        written = json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        digest = hashlib.sha256(f"{digest}\n{written}".encode()).hexdigest()
        bind.execute(
            sa.insert(meta.tables["decisions"]).values({**told, "at": now.replace(tzinfo=None), "digest": digest})
        )


def _new(table: str, key: list[Any], row: dict[str, Any]) -> dict[str, Any]:
    after = {
        name: value.replace(tzinfo=UTC).isoformat() if isinstance(value, datetime) else value
        for name, value in row.items()
    }
    return {"table": table, "key": key, "before": None, "after": after}


def _outline(quad: list[list[float]]) -> str:
    corners = [[round(float(v), 3) for v in corner] for corner in quad]
    return hashlib.sha256(json.dumps(corners).encode()).hexdigest()[:16]


def _insert(bind: sa.Connection, table: sa.Table, rows: Iterable[dict[str, Any]]) -> None:
    rows = list(rows)
    if rows:
        bind.execute(sa.insert(table), rows)


def downgrade() -> None:
    raise NotImplementedError("a log cannot be taken back; use a backup made before")
