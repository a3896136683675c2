"""What people read, in their language: catalogues (gettext's .po files), and the speech that uses them."""
