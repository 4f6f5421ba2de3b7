"""Long runs, only with --long."""
