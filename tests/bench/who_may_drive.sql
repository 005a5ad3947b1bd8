-- Who may drive one run, as one would write it by hand: drivers who are there, who lack no step in force on
-- the date at its sites, may be sent to these, are not away, are free at that hour or have not said, have a
-- car that is large enough or not measured, and have no seat within the minutes between two runs.
SELECT p.id
FROM volunteers_person p
WHERE p.left_on IS NULL
  AND p.asking_since IS NULL
  AND p.paused_on IS NULL
  AND p.drives
  AND NOT EXISTS (
    SELECT 1
    FROM volunteers_stepterm t
    JOIN volunteers_step s ON s.id = t.step_id
    WHERE t.applies_from <= %(day)s
      AND (t.applies_until IS NULL OR t.applies_until > %(day)s)
      AND (s.site_id IS NULL OR s.site_id IN (%(pickup)s, %(dropoff)s))
      AND (
        SELECT COUNT(*)
        FROM volunteers_completion c
        WHERE c.step_id = t.step_id
          AND c.person_id = p.id
          AND c.withdrawn_at IS NULL
          AND c.revision >= t.revision
          AND c.valid_from <= %(day)s
          AND (c.valid_until IS NULL OR c.valid_until >= %(day)s)
      ) < t.times
  )
  AND NOT EXISTS (
    SELECT 1 FROM volunteers_notat n
    WHERE n.person_id = p.id AND n.ended_at IS NULL AND n.site_id IN (%(pickup)s, %(dropoff)s)
  )
  AND NOT EXISTS (
    SELECT 1 FROM volunteers_away a
    WHERE a.person_id = p.id AND a.first <= %(day)s AND a.last >= %(day)s
  )
  AND (
    NOT EXISTS (SELECT 1 FROM volunteers_availability h WHERE h.person_id = p.id)
    OR EXISTS (
      SELECT 1 FROM volunteers_availability h
      WHERE h.person_id = p.id AND h.weekday = %(weekday)s AND h.begins <= %(begins)s AND h.ends >= %(ends)s
    )
  )
  AND (
    NOT EXISTS (SELECT 1 FROM volunteers_car k WHERE k.person_id = p.id)
    OR EXISTS (
      SELECT 1 FROM volunteers_car k
      WHERE k.person_id = p.id AND (k.crates IS NULL OR k.crates >= %(crates)s)
    )
  )
  AND NOT EXISTS (
    SELECT 1
    FROM shifts_booking b
    JOIN shifts_run r ON r.id = b.run_id
    WHERE b.person_id = p.id AND b.ended_at IS NULL AND r.cancelled_at IS NULL
      AND r.starts_at < %(after)s AND r.ends_at > %(before)s
  )
