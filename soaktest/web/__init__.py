"""The bench's page: what three people look at while a machine runs, and after."""
