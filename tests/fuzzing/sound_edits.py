"""What is done to a good file: edits of its pieces, then of its bytes, from plain data.

An edit is a tuple of a verb and its numbers. Places count round, so that any edit can be left out
and the others still mean something.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from fuzzing.sound_layout import Layout, Piece, put_together
from fuzzing.sound_signals import good_layout

Edit = tuple[Any, ...]


def file_parts(case: Mapping[str, Any]) -> list[bytes | int]:
    """Return the bytes of a case's file, and lengths of holes between and after them."""
    if "bytes" in case:
        return [case["bytes"]]
    layout = good_layout(case["recipe"])
    for edit in case["edits"]:
        layout = edited(layout, edit)
    parts = [part for part in put_together(layout) if part]
    if not any(isinstance(part, int) for part in parts):
        data = b"".join(part for part in parts if isinstance(part, bytes))
        for edit in case["edits"]:
            data = damaged(data, edit)
        parts = [data]
    return parts + [edit[1] for edit in case["edits"] if edit[0] == "sparse"]


def edited(layout: Layout, edit: Edit) -> Layout:
    """Return a layout with one edit of its pieces made; what is for bytes is passed over."""
    verb, *rest = edit
    if not layout.pieces or (verb not in PIECE_VERBS and verb not in LAYOUT_VERBS):
        return layout
    at, *more = rest
    at %= len(layout.pieces)
    if verb in LAYOUT_VERBS:
        return LAYOUT_VERBS[verb](layout, at, *more)
    return layout.at(at, PIECE_VERBS[verb](layout.pieces[at], *more))


def damaged(data: bytes, edit: Edit) -> bytes:
    """Return bytes with one edit made to them; what is for pieces is passed over.

    >>> damaged(b"RIFF", ("flip", 1, 0xFF))
    b'R\\xb6FF'
    """
    verb, *rest = edit
    whole = {
        "append": lambda: data + rest[0],
        "before": lambda: rest[0] + data,
        "glue": lambda: data + data,
    }
    if verb in whole:
        return whole[verb]()
    if verb not in ("cut", "flip", "over", "zeros"):
        return data
    at = rest[0] % (len(data) + 1)
    if verb == "cut":
        return data[:at]
    put: dict[str, Callable[[], bytes]] = {
        "flip": lambda: bytes(byte ^ rest[1] for byte in data[at : at + 1]),
        "over": lambda: rest[1],
        "zeros": lambda: bytes(rest[1]),
    }
    return _put(data, at, put[verb]())


def _put(body: bytes, offset: int, value: bytes) -> bytes:
    body = body.ljust(offset, b"\0")
    return body[:offset] + value + body[offset + len(value) :]


def _moved(layout: Layout, at: int, to: int, keep: bool) -> Layout:
    pieces = list(layout.pieces)
    piece = pieces[at] if keep else pieces.pop(at)
    pieces.insert(to % (len(pieces) + 1), piece)
    return replace(layout, pieces=tuple(pieces))


def _extra(layout: Layout, at: int, name: bytes, body: bytes) -> Layout:
    names = {"w64": name + bytes(12), "ogg": layout.pieces[0].name, "flac": name[:1], "mp3": b""}
    pieces = list(layout.pieces)
    pieces.insert(at, Piece(names.get(layout.kind, name), body))
    return replace(layout, pieces=tuple(pieces))


def _head_put(layout: Layout, at: int, offset: int, value: bytes) -> Layout:
    piece = layout.pieces[at]
    return layout.at(at, replace(piece, name=_put(piece.name, offset, value)))


def _nested(piece: Piece) -> Piece:
    inner = piece.name[:4] + len(piece.body).to_bytes(4, "little") + piece.body
    return replace(piece, name=b"LIST" + piece.name[4:], body=b"wavl" + inner)


PIECE_VERBS: dict[str, Callable[..., Piece]] = {
    "put": lambda piece, offset, value: replace(piece, body=_put(piece.body, offset, value)),
    "size": lambda piece, size: replace(piece, size=size),
    "name": lambda piece, name: replace(piece, name=name + piece.name[len(name) :]),
    "shorten": lambda piece, length: replace(piece, body=piece.body[:length]),
    "unpad": lambda piece: replace(piece, body=piece.body + b"\0", padded=False),
    "nest": _nested,
    "hole": lambda piece, length: replace(piece, name=b"JUNK" + piece.name[4:], hole=length),
}
LAYOUT_VERBS: dict[str, Callable[..., Layout]] = {
    "drop": lambda it, at: replace(it, pieces=it.pieces[:at] + it.pieces[at + 1 :]),
    "whole": lambda it, at, size: replace(it, whole=size),
    "head": lambda it, at, name: replace(it, head=_put(it.head, 0, name)),
    "move": lambda it, at, to: _moved(it, at, to, keep=False),
    "twice": lambda it, at, to: _moved(it, at, to, keep=True),
    "extra": _extra,
    "head_put": _head_put,
}
