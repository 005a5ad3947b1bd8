-- What a call list is ranked by, of everybody who drives: their home and how many runs a week they want, how
-- many runs they drive these weeks, their largest car, whether they have said their hours, how often they
-- were asked this week, and what they said to the requests of a year.
SELECT p.id, p.name, p.runs_a_week, p.home_latitude, p.home_longitude, d.runs, c.crates, h.person_id, w.asked,
       y.yes, y.asked
FROM volunteers_person p
LEFT JOIN (
  SELECT b.person_id, COUNT(*) AS runs
  FROM shifts_booking b
  JOIN shifts_run r ON r.id = b.run_id
  WHERE b.ended_at IS NULL AND b.seat = 'driver' AND r.cancelled_at IS NULL
    AND r.local_date >= %(first)s AND r.local_date <= %(last)s
  GROUP BY b.person_id
) d ON d.person_id = p.id
LEFT JOIN (
  SELECT person_id, MAX(crates) AS crates FROM volunteers_car GROUP BY person_id
) c ON c.person_id = p.id
LEFT JOIN (
  SELECT DISTINCT person_id FROM volunteers_availability
) h ON h.person_id = p.id
LEFT JOIN (
  SELECT person_id, COUNT(DISTINCT search_id) AS asked
  FROM shifts_ask
  WHERE asked_at > %(week)s AND asked_at <= %(now)s AND NOT (wave = 0 AND answer = 'closed')
  GROUP BY person_id
) w ON w.person_id = p.id
LEFT JOIN (
  SELECT person_id, SUM(CASE WHEN answer IN ('yes', 'late', 'moved') THEN 1 ELSE 0 END) AS yes,
         COUNT(*) AS asked
  FROM shifts_ask
  WHERE asked_at > %(year)s AND asked_at <= %(now)s AND answer <> 'closed'
    AND NOT (answer = '' AND asked_at > %(yesterday)s)
  GROUP BY person_id
) y ON y.person_id = p.id
WHERE p.left_on IS NULL
  AND p.asking_since IS NULL
  AND p.paused_on IS NULL
  AND p.drives
