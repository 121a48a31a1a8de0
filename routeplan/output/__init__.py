"""What a person sees or takes along: pure functions of a Plan.

`write.write_all` makes every file, `table.table` the text for the terminal. A picture is laid out once as a
`scene.Scene` (strip, trade-off, map, sides of the card) and written as SVG, PNG or PDF; `look` holds its colours,
`rows` the figures that report and card share, `share.shared` the copy that may be given away. `atomic` is the only
way a file gets its name. Importing this package loads nothing heavy.
"""
