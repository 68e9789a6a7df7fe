"""How scans reach a node or a bench tool: from a device, a recording, a simulated finger or topics."""
