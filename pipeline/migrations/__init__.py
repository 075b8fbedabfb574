"""How a grove's database came to its present form, step by step; run by ``pipeline.store``."""
