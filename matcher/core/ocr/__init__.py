"""The words on a card, read: `reading` finds and reads lines, `witness` says which known words they are.

photo -> reading (reader, the library) -> witness (line_match: which line is which; spelling: how well it fits)
"""
