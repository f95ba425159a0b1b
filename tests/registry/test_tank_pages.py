"""Pages of tanks by key: each tank once, and found by the index, not by counting from the start.

A page by offset reads all rows before it; a page by key ("seek method") begins where the index
says: Winand, "SQL Performance Explained" (2012), chapter 7, "Paging Through Results".
"""

from __future__ import annotations

import pytest
from sqlalchemy import insert, text

from service.registry.documents import to_document
from service.registry.models.tank import Tank
from service.registry.repositories.tanks import tanks_query
from service.registry.tables.tanks import TankRow

COUNT = 3_000


@pytest.fixture
def many(registry):
    """A registry of so many tanks that a database has reason to use an index."""
    tanks = [Tank(f"tank-{number:05}", "Invented") for number in range(COUNT)]
    rows = [
        {"id": one.id, "name": one.name, "document": to_document(one), "version": "1"}
        for one in tanks
    ]
    with registry.session(writes="bookkeeping") as session:
        session.execute(insert(TankRow), rows)
    with registry.session(writes="bookkeeping") as session:
        session.execute(text("ANALYZE"))
    return registry


def test_pages_have_each_tank_once(many):
    found, after = [], None
    while page := many.tanks(after=after, limit=1_000):
        found += [tank.id for tank in page]
        after = page[-1].id
    assert found == [tank.id for tank in many.tanks()]
    assert len(set(found)) == COUNT


@pytest.mark.parametrize("after", [None, "tank-01500", "tank-02980"])
def test_a_page_is_found_by_the_index(many, after):
    dialect = many.engine.dialect
    query = tanks_query(after, 100).compile(dialect=dialect, compile_kwargs={"literal_binds": True})
    explain = "EXPLAIN QUERY PLAN" if dialect.name == "sqlite" else "EXPLAIN"
    with many.session(writes=False) as session:
        rows = session.execute(text(f"{explain} {query}")).all()
    plan = "\n".join(str(row[-1]) for row in rows)
    index = {
        "sqlite": "USING INDEX sqlite_autoindex_tank_1",
        "postgresql": "Index Scan using pk_tank",
    }
    assert index[dialect.name] in plan, plan
    assert "SORT" not in plan.upper(), plan
    assert "TEMP B-TREE" not in plan.upper(), plan
