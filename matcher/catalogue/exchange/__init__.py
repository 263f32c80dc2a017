"""Tables, bags and backups: the catalogue's ways in and out, and whether it is whole."""
