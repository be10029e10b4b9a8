"""Keeping evaluations in PostgreSQL; the only place that knows SQL.

- `database`: the pool of connections that serving processes use.
- `evaluations`: the `Store` of evaluations and reassessments.
- `keys`: tenants and API keys, for the operator.
- `migrate`, `migrations`: bringing a database up to date.
- `embedded`: a PostgreSQL server of our own, where none is given.
- `cursor`: the place in a list, as text.

Tenants are kept apart twice. Every statement names the tenant, and row-level security lets the role
`airside_app`, which every serving connection takes on, see nothing else; this holds even if the user in
`DATABASE_URL` is superuser or owner of the tables. That role may add and read evaluations, not change them.

Nothing of one request is left on a connection, and no advisory lock or notification is used in serving, so
processes may be added at will. Through a pooler in transaction mode, which forgets `SET ROLE`, let the pooler log in
as `airside_app` itself (`ALTER ROLE airside_app LOGIN PASSWORD ...`).
"""
