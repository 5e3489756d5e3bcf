"""SQL and nothing else: where runs, units, rigs and specifications are kept and found again."""
