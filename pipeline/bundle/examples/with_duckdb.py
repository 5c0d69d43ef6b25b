"""First steps with DuckDB from Python: with_duckdb.sql has the steps; this runs them and prints.

Run where README.md of the dataset stands: python examples/with_duckdb.py  (needs duckdb)
"""

import os
from pathlib import Path

import duckdb

EXAMPLES = Path(__file__).resolve().parent
os.chdir(EXAMPLES.parent)  # the paths in the SQL are those within the dataset

with duckdb.connect() as database:
    for statement in (EXAMPLES / "with_duckdb.sql").read_text(encoding="utf-8").split(";\n"):
        result = database.execute(statement)
        if "\nSELECT" in f"\n{statement.strip()}" and "CREATE" not in statement:
            print(",".join(column[0] for column in result.description))
            for row in result.fetchall():
                print(*row, sep=",")
