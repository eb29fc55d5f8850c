"""The only room that joins rooms: settings, the one clock, wiring, jobs, the schedule, the command socket."""
