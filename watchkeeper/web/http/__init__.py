"""HTTP itself: connections, middleware, parameters, problem details, cached answers, the event stream.

Not here: what a page shows, and who may see it (auth/).
"""
