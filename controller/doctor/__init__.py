"""What `soakwarden doctor` looks at. Every look only reads: it opens no device, writes nothing, and asks nothing of the network."""
