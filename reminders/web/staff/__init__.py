"""The pages that staff work in, one module per thing a person does."""

from __future__ import annotations

from fastapi import FastAPI


def add_pages(app: FastAPI) -> None:
    """Add every page of staff, under `/staff/`."""
