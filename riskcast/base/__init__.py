"""What every room needs: errors, quantities with units, nights, named random streams, safe files."""
