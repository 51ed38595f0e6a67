"""Pure functions of circuits: layout, voltage rise, currents, conductors, supply. They know no file and no policy."""
