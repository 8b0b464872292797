"""Still pictures, and the light mesh that the browser turns."""
