"""What is done with scans, models and series of steps beside the patient."""
