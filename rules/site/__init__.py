"""The site file: `model` is what it says, `reading` how a file becomes one (and `salvage` what is left of one that is wrong).

Bytes become TOML in `text`, TOML becomes structs in `tables` (with `angles`, `control_file` and `renamed`), and
`contradictions` finds what no single key shows. Of ours, this room imports only `rules.coordinates` and `rules.gnss`.
"""
