"""What the bench and an appliance's page show."""
