"""What the front desk changes: orders, pickup times, prescriptions."""
