"""Pure: readings, schedule, program, run states, guards, alarms, supervisor, regulator, model, modulation, tick.

No clock, file, thread, logger or random source is reached for in this package; time comes in with the inputs.
"""
