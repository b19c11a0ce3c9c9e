"""How the store's tables came to be, one revision a change. Run by :mod:`monitor.trace.database`."""
