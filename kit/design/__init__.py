"""Which runs to print: classical plans, optimal plans, order and blocks, assessment, sample size."""
