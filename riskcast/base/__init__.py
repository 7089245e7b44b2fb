"""What every room needs: errors, quantities with units, nights, named streams, safe files."""
