"""The history of runs: stored whole, listed, regraded and compared long after.

``place`` says where it is, ``body`` how one run becomes compact bytes, ``tables`` and ``migrations`` how it is laid out,
``store`` reads and writes it.  SQLAlchemy is imported by ``store`` and what it needs, never by this package itself.
"""
