"""How likely each system of a batch is to trip on grid overvoltage: records, catalog and policy in, columns out.

`inputs` says what the likelihood takes of each system, `profiles` and `supply` what grid profiles, the policy and
readings say, `tables` keeps what many systems share, `outlook` puts it together, and `logs` updates it. `evidence` is
what was measured and reported, as the audit takes it; `fitting` makes it of readings. A system's figures depend on its
own rows and evidence, the catalog, the policy and the date alone.
"""

from auditor.trips.evidence import Evidence
from auditor.trips.outlook import COLUMNS, expected_outlook, outlook
from auditor.trips.tables import MEMORY, Tables

__all__ = ["COLUMNS", "MEMORY", "Evidence", "Tables", "expected_outlook", "outlook"]
