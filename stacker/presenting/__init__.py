"""What a person reads: bench card, tables, report, exports."""
