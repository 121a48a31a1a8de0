"""The page on which a rider plans by looking: a function from request to response, and a small server round it."""
