"""The HTTP API: what the commands, a script or a page on the same computer talk to.

`serve_http(desk, settings, ready_event)` runs it inside the daemon. It is loaded from
`benchd.web.server`, so that a client that needs only the documents' forms stays quick to start.
"""
