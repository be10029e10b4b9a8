"""A database full of generated evaluations: what is indexed looks as in a service that has run for five years, while
the kept bytes are short, so that a million fit on any disk. Everything is invented; the same count gives the same rows.

Rows are made by the server and go in as superuser with triggers and foreign keys off and indexes made afterwards. It is
the reading that is measured, and that is done in the role that serves."""

from __future__ import annotations

import uuid

import psycopg

TENANTS = [uuid.uuid5(uuid.NAMESPACE_OID, f"invented tenant {number}") for number in range(12)]
"""The first has half of all evaluations, the second a quarter, the other ten share the rest."""

CODES = 50
WORDS = 20_000

_SOURCE = """
    CREATE UNLOGGED TABLE generated AS
    SELECT n, created_at, uuidv7(created_at - now()) AS evaluation_id, tenant,
           ('{%(tenants)s}'::uuid[])[tenant] AS tenant_id,
           CASE WHEN random() < 0.95 THEN created_at - random() * interval '2 days'
                ELSE created_at - random() * interval '1500 days' END AS visited_at,
           'S-' || site AS site_reference,
           'E-' || site || '-' || 1 + (random() * random() * 3)::integer AS equipment_reference,
           'J-' || tenant || '-' || n / 2 AS job_reference,
           CASE WHEN age < 0.6 THEN '1.0.0' WHEN age < 0.95 THEN '1.1.0' ELSE '1.2.0' END AS ruleset_version,
           ARRAY(SELECT DISTINCT 1 + floor(%(codes)s * random() ^ 3)::integer
                   FROM generate_series(1, greatest(0, (n + floor(random() * 7)::integer) %% 7 - 2))) AS codes,
           ARRAY(SELECT DISTINCT 'w' || floor(%(words)s * random() ^ 4)::integer
                   FROM generate_series(1, 3 + n %% 20)) AS words
      FROM (SELECT n, n::float / %(rows)s AS age,
                   timestamptz '2021-01-01Z' + n::float / %(rows)s * interval '1800 days' AS created_at,
                   CASE WHEN pick < 0.5 THEN 1 WHEN pick < 0.75 THEN 2
                        ELSE 3 + floor((pick - 0.75) * 40)::integer END AS tenant,
                   floor(random() * %(rows)s / 150)::integer AS site
              FROM (SELECT n, random() AS pick FROM generate_series(1, %(rows)s) n) picked) placed
"""
# The graver, the rarer: of 50 codes a hazard is each from 44 on, and low numbers are drawn more often.
_SEVERITY = "(CASE WHEN {0} > 44 THEN 'hazard' WHEN {0} > 25 THEN 'fault' WHEN {0} > 8 THEN 'advisory' ELSE 'note' END)"
_FILL = [
    """
    INSERT INTO airside.tenants (tenant_id, name)
    SELECT t, 'Invented tenant ' || t FROM unnest('{%(tenants)s}'::uuid[]) t
    """,
    f"""
    INSERT INTO airside.evaluations (
        tenant_id, evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
        ruleset_version, ruleset_digest, highest_severity, units, request, evaluation, supersedes, revision_reason)
    SELECT tenant_id, evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, repeat('0', 64),
           (SELECT max({_SEVERITY.format("c")}::airside.severity) FROM unnest(codes) c),
           'ip', repeat(md5(n::text), 4)::bytea, repeat(md5(n::text), 8)::bytea,
           CASE WHEN n %% 33 = 0 THEN lag(evaluation_id) OVER same END, CASE WHEN n %% 33 = 0 THEN 'read again' END
      FROM generated WINDOW same AS (PARTITION BY tenant_id ORDER BY n)
     ORDER BY n
    """,
    f"""
    INSERT INTO airside.evaluation_findings (tenant_id, code, created_at, evaluation_id, severity)
    SELECT tenant_id, 'finding_' || c, created_at, evaluation_id, {_SEVERITY.format("c")}::airside.severity
      FROM generated, unnest(codes) c ORDER BY n
    """,
    """
    INSERT INTO airside.evaluation_words (tenant_id, evaluation_id, created_at, lexemes)
    SELECT tenant_id, evaluation_id, created_at, array_to_tsvector(ARRAY['tenant ' || tenant_id] || words)
      FROM generated ORDER BY n
    """,
    """
    INSERT INTO airside.reassessments (
        tenant_id, evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version,
        units, evaluation, difference)
    SELECT tenant_id, evaluation_id, uuidv7(created_at - now()), created_at, '1.2.0', repeat('0', 64), '1', 'ip', '', ''
      FROM generated WHERE n %% 50 = 0 ORDER BY n
    """,
    """
    INSERT INTO airside.outcomes (
        tenant_id, evaluation_id, outcome_id, created_at, finding, state, area, outcome, causes_ranked, rules,
        ruleset_version)
    SELECT tenant_id, evaluation_id, uuidv7(created_at - now() + again * interval '1 hour'),
           created_at + again * interval '1 hour', 'finding_' || codes[1], 'cooling', '',
           CASE WHEN n %% 3 = 0 THEN 'ruled_out' ELSE 'confirmed' END, 0, ARRAY['rule_' || codes[1]], ruleset_version
      FROM generated, generate_series(1, 1 + n %% 2) again WHERE n %% 10 < 2 AND cardinality(codes) > 0 ORDER BY n
    """,
    """
    INSERT INTO airside.idempotency (tenant_id, idempotency_key, request_sha256, made, created_at)
    SELECT tenant_id, 'key-' || n, sha256(n::text::bytea), evaluation_id, created_at FROM generated ORDER BY n
    """,
    """
    INSERT INTO airside.webhooks (tenant_id, webhook_id, created_at, url, events)
    SELECT t, t, timestamptz '2021-01-01Z', 'https://dispatch.example/hook', '{evaluation.created}'
      FROM unnest('{%(tenants)s}'::uuid[]) t
    """,
    """
    INSERT INTO airside.webhook_secrets (tenant_id, webhook_id, secret_id, created_at, sealed)
    SELECT tenant_id, webhook_id, webhook_id, created_at, 'invented' FROM airside.webhooks
    """,
    """
    INSERT INTO airside.webhook_deliveries (
        tenant_id, delivery_id, webhook_id, event, created_at, evaluation_id, state, due_at, attempts, tries,
        finished_at)
    SELECT tenant_id, evaluation_id, tenant_id, 'evaluation.created', created_at, evaluation_id,
           CASE WHEN n %% 2000 = 0 THEN 'pending' WHEN n %% 500 = 4 THEN 'dead' ELSE 'delivered' END, created_at, 1, 1,
           CASE WHEN n %% 2000 > 0 THEN created_at END
      FROM generated WHERE n %% 4 = 0 ORDER BY n
    """,
    """
    INSERT INTO airside.webhook_attempts (tenant_id, delivery_id, attempt, finished_at, milliseconds, status)
    SELECT tenant_id, delivery_id, 1, created_at, 80, 204 FROM airside.webhook_deliveries
    """,
    "DROP TABLE generated",
]


def fill(superuser_url: str, rows: int) -> None:
    """Put `rows` generated evaluations into a migrated database that has none."""
    values = {"rows": rows, "codes": CODES, "words": WORDS, "tenants": ",".join(map(str, TENANTS))}
    with psycopg.connect(superuser_url) as connection:
        connection.execute("SET session_replication_role = replica; SET timezone = 'UTC'; SET max_parallel_workers = 0")
        connection.execute("SET maintenance_work_mem = '512MB'; SET work_mem = '256MB'; SELECT setseed(0.5)")
        indexes = connection.execute(
            "SELECT format('%I.%I', schemaname, indexname), indexdef FROM pg_indexes JOIN pg_class c"
            " ON c.oid = format('%I.%I', schemaname, indexname)::regclass"
            " WHERE schemaname = 'airside' AND tablename IN"
            " ('evaluations', 'evaluation_findings', 'evaluation_words', 'reassessments', 'outcomes', 'idempotency',"
            " 'webhook_deliveries')"
            " AND NOT EXISTS (SELECT FROM pg_constraint k WHERE k.conindid = c.oid)"
        ).fetchall()
        for name, _ in indexes:
            connection.execute(f"DROP INDEX {name}")
        connection.execute(_SOURCE % values)
        for statement in _FILL:
            connection.execute(statement % values)
        for _, definition in indexes:
            connection.execute(definition)
    with psycopg.connect(superuser_url, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE")
