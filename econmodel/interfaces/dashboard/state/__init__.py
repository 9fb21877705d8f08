"""What a session knows: its case as a file, its changes, and the answers kept by the hash of the inputs."""
