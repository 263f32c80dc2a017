"""The words on a card, read: `reading` finds and reads lines, `caption_match` says which known words they are.

photo -> reading (reader, the library) -> caption_match (line_match: which line is which; spelling: how well it fits)

`settings` holds the numbers.
"""
