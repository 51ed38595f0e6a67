"""How likely each system of a batch is to trip on grid overvoltage: records, catalog and policy in, columns out.

`inputs` says what the likelihood takes of each system, `profiles` and `supply` what grid profiles and the policy say,
`tables` keeps what many systems share, and `outlook` puts it together. A system's figures depend on its own rows, the
catalog, the policy and the date alone.
"""

from auditor.trips.outlook import COLUMNS, outlook
from auditor.trips.tables import MEMORY, Tables

__all__ = ["COLUMNS", "MEMORY", "Tables", "outlook"]
