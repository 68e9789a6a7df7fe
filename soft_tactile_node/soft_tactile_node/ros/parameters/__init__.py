"""What each node can be told: declarations with checks, the tables of all nodes, and what is written from them."""
