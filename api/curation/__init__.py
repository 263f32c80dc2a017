"""A catalogue that grows: finds, decisions, and what must hold before one is made."""
