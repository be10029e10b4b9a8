"""API v1 over HTTP. Handlers are thin: they decode, call the pipeline or the store, and answer.

- `routes`: every handler; `evaluations`, `catalogue`, `health`, `documentation` hold them.
- `edge`: what every exchange gets, whatever happens in it: request id, trace context, security headers, HEAD, log line.
- `access`: API keys and scopes. `exchange`: reading bodies, negotiating types, answering.
- `problems`: the one shape of every error, and its documentation.
- `contract`: the OpenAPI document; the only place that changes what the framework generates.
"""
