"""Writes tests/worked/fhir_r4_shapes.yaml from published models; run by hand where FHIR itself or the models change.

In an environment of its own: `pip install fhir.resources==8.3.0`, then
`python tests/support/fhir_models.py > tests/worked/fhir_r4_shapes.yaml`.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version

RESOURCES = (
    *("Patient", "Practitioner", "PractitionerRole", "Encounter", "Observation", "QuestionnaireResponse"),
    *("DiagnosticReport", "ImagingStudy", "Procedure", "Condition", "ResearchSubject", "Consent"),
)
OF_ALL = {
    *("fhir_comments", "contained", "extension", "modifierExtension", "resourceType", "id", "meta", "text"),
    *("implicitRules", "language"),
}


def shape(name: str) -> dict[str, list[str]]:
    """The required, repeating and single elements of a resource, and the statuses that its model lists."""
    model = getattr(import_module(f"fhir.resources.R4B.{name.lower()}"), name)
    found: dict[str, list[str]] = {"required": [], "lists": [], "single": [], "status": []}
    for key, field in model.model_fields.items():
        further, element = field.json_schema_extra or {}, field.alias or key
        if element in OF_ALL or element.startswith("_") or key.endswith("__ext"):
            continue
        found["lists" if "list[" in str(field.annotation).lower() else "single"].append(element)
        found["required"] += [element] if further.get("element_required") or field.is_required() else []
        if element == "status":
            found["status"] = [code for code in further.get("enum_values") or () if code != "+"]
    return {kind: sorted(names) for kind, names in found.items()}


if __name__ == "__main__":
    made = f"fhir.resources {version('fhir.resources')} (models of HL7 FHIR R4B)"
    print(f"# Made with {made} by tests/support/fhir_models.py: of each")
    print("# model the required, repeating and single elements, and the statuses it lists (the first where many).")
    for resource in RESOURCES:
        print(f"{resource}:")
        for kind, names in shape(resource).items():
            print(f"  {kind}: [{', '.join(names)}]")
