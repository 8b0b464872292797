"""What moves an appliance or a load on the bench and hands it over; ``move`` gathers it."""
