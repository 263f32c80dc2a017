"""Whole catalogues out and in.

routes     exports, backups, imports, the check
importing  files that came -> a catalogue with what they bring
shapes     of imports and of the check
"""
