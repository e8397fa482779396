"""The report: one run, or one before and one after, as a page that explains itself. Drawn from the record alone."""
