"""The machine that gattest runs on: its clock, garbage collector, shipped files, locks and service manager."""
