"""Whom to tell: the systems with a verdict that became worse, one row each, by utility, designer, crew and contact."""

from __future__ import annotations

#: A verdict became worse where it now fails and did not, or is unknown and passed or did not apply.
WORSENED = (
    "(kind = 'check' AND ((after = 'fail' AND before <> 'fail')"
    " OR (after = 'unknown' AND before IN ('pass', 'not applicable'))))"
)
#: The SQL of the view `notice`, over `changed`. A waiver hides no system; what is waived stands beside it.
NOTICE = f"""CREATE VIEW notice AS
    WITH worse AS (SELECT DISTINCT system_id, "check", before, after, cause, waived_until FROM changed
      WHERE {WORSENED}),
    told AS (SELECT system_id, string_agg(DISTINCT "check" || ': ' || before || ' to ' || after, '; '
        ORDER BY "check" || ': ' || before || ' to ' || after) AS worse,
      string_agg(DISTINCT cause, ' | ' ORDER BY cause) AS cause,
      string_agg(DISTINCT "check" || ' until ' || waived_until, '; ' ORDER BY "check" || ' until ' || waived_until)
        AS waived
      FROM worse GROUP BY system_id)
    SELECT s.utility, s.designer, s.crew, s.contact, s.system_id, s.site_label, s.region, t.worse, t.cause,
      s.verdict_before, s.verdict_after, t.waived
    FROM told t JOIN concerned s USING (system_id)"""
#: The order of the list.
NOTICE_ORDER = "utility NULLS LAST, designer NULLS LAST, crew NULLS LAST, contact NULLS LAST, system_id"
