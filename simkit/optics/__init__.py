"""How a shining panel reflects lamps: reflection lines, isophotes, line shift."""
