"""The front desk: today, patients, visits, bookings and their papers."""
