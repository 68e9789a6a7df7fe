"""How things look on the wire: messages from and to samples, quality of service, diagnostics, markers, names."""
