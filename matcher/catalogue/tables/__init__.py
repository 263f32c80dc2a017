"""How the catalogue is stored: tables, the database that holds them, and its migrations."""
