"""The files: request, rail profile, plan; read with line numbers, written whole or not at all."""
