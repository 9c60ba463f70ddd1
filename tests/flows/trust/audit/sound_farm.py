"""A warehouse whose tables are sound, for audits to look at."""

from flows.derive import derive
from tests.flows import invented


def filled(con):
    invented.put(con, invented.readings(20))
    # The invented readings name no delivery of their own; what they name is put there.
    con.execute("""
        INSERT INTO delivery BY NAME
        SELECT delivery, delivery AS sha256, row_number() OVER (ORDER BY delivery) AS sequence,
            now() AS received_at, 'a.csv' AS name, 'landed' AS state,
            3 AS rows_in, 2 AS rows_landed, 1 AS rows_quarantined, 0 AS rows_duplicate,
            3 AS values_in, 2 AS values_landed, 1 AS values_quarantined, 0 AS values_duplicate,
            (SELECT max(time) FROM weather_reading) AS last_reading
        FROM (SELECT delivery FROM weather_reading UNION SELECT delivery FROM soil_reading)
        WHERE delivery IS NOT NULL
    """)
    derive.derive(con)
