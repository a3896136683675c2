"""The strip of a day: what the log says of it, and its picture. The page and the office's report draw the same one."""
