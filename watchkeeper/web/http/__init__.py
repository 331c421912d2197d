"""HTTP itself: middleware, parameters, problem details, cached answers, the event stream."""
