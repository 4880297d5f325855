"""The report: one self-contained HTML page, complete without network or scripts."""
