"""What a contract run keeps for each tenant before it sends generated requests, so that these meet what is there."""

import json
from pathlib import Path
from typing import Any

import httpx

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
NOBODY = "00000000-0000-7000-8000-000000000000"
"""Id of nothing."""


def keep_what_is_met(address: str, secret: str, key_id: str) -> dict[str, Any]:
    """Keep an earlier and a later visit to one equipment, and one of each thing that hangs on a visit or an account.

    Returns
    -------
    `parameters`: what is there, by the name of the parameter that names it, for operations that leave it there.
    `spent`: the same by operation, for operations that change or remove it.
    `finding`, `state`: what a report on the earlier visit may be about. `lasting`: what must outlive the run.
    """
    with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {secret}"}, timeout=10.0) as client:

        def made(path: str, body: Any) -> Any:
            answer = client.post(path, json=body)
            answer.raise_for_status()
            return answer.json()

        def read(path: str) -> Any:
            answer = client.get(path)
            answer.raise_for_status()
            return answer.json()

        visits = [
            json.loads((EXAMPLES / f"visit_{when}_filter_change.json").read_bytes()) for when in ("before", "after")
        ]
        before, after = (made("/v1/evaluations", visit) for visit in visits)
        visit = f"/v1/evaluations/{before['id']}"
        finding = next(one for one in before["result"]["findings"] if "state" in one["context"])
        told = {"finding": finding["code"], "state": finding["context"]["state"]}
        hook = json.loads(next((EXAMPLES / "webhooks").iterdir()).read_bytes())
        webhook, changed, removed = (made("/v1/webhooks", hook)["id"] for _ in range(3))
        made(f"/v1/webhooks/{webhook}/pings", None)
        nothing = {"kind": "evaluation", "evaluation_id": NOBODY}
        version = before["result"]["ruleset"]["version"]
        references = {
            "site_reference": visits[0]["site"]["reference"],
            "equipment_reference": visits[0]["equipment"]["reference"],
        }
        return {
            **told,
            "parameters": {
                **references,
                "evaluation_id": before["id"],
                "before": before["id"],
                "after": after["id"],
                "outcome_id": made(f"{visit}/outcomes", {**told, "outcome": "confirmed"})["id"],
                "reassessment_id": made(f"{visit}/reassessments", {})["id"],
                "plot_name": read(f"{visit}/plots")["items"][0]["name"],
                "erasure_id": made("/v1/erasures", {"selection": nothing, "reason": "nothing is there"})["id"],
                "webhook_id": webhook,
                "delivery_id": read(f"/v1/webhooks/{webhook}/deliveries")["items"][0]["id"],
                "key_id": key_id,
                "version": version,
                "other": version,
                "rule_id": finding["rules"][0],
                "procedure_id": read("/v1/procedures")["items"][0]["id"],
                "problem_code": "not_found",
            },
            "spent": {
                "change_webhook": {"webhook_id": changed},
                "remove_webhook": {"webhook_id": removed},
                "revoke_key": {
                    "key_id": made("/v1/account/keys", {"label": "spare", "scopes": ["evaluations:read"]})["key"]["id"]
                },
            },
            "lasting": [before["id"], after["id"], *(one["job_reference"] for one in visits), *references.values()],
        }
