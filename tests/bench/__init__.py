"""Speed and size, measured in the open: `python -m tests.bench` prints one table (`--short`: in a few minutes).

Every row is a ratio or a figure of one run on one machine: what is compared runs in turn, several times, and the median
counts. Times are the process's own CPU time where nothing else is said, since a machine does other things too.
"""
