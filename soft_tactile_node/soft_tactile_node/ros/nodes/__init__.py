"""The five nodes, one a file: each reads its parameters, makes its parts and joins them to its topics."""
