"""What `soakwarden doctor` looks at. Looks only read: no device is opened, nothing written, nobody outside asked."""
