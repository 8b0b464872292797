"""Pages of production. Views read through selectors and change through actions."""
