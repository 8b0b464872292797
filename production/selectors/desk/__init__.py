"""What Today, a booking, a patient and an order show."""
