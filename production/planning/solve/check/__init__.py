"""An independent check of a plan against its problem."""
