"""The site file: `model` is what it says, `reading` how a file becomes one (and `salvage` what is left of one that is wrong).

A line of it goes through `text` (bytes to TOML), `tables` (TOML to structs), `angles`, `control_file` and `renamed`, and what
no single key shows through `contradictions`. Nothing here imports anything of ours outside this room.
"""
