"""The lab's own records: the campaign's definition, result files, the ledger and the stock.

Ground floor of the planner: it reads and keeps what people wrote and measured, refuses
what cannot be, and knows nothing of models, windows or plans.
"""
