"""From what people write to schedules the tick can run. Pure; knows nothing of boards, files or the network."""
