"""Queue, runner, safety, hands and recovery: what happens on one bench, one job at a time."""
