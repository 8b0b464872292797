"""From a cut, open surface to a closed body on its base."""
