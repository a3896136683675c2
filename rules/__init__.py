"""What counts as trouble. Pure: no clock, no threads, no I/O but the site file and the geoid grid."""
