"""Version of the package, also written into every saved model."""

VERSION = "0.1.0"
