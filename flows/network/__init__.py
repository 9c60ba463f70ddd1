"""Many farms as one body of evidence; may import every room from ``base`` to ``run``.

What one farm gives (store, pointer, step of a run) is in ``flows/share``, below ``run``. The store::

    network.json                 what the network is: id, name, grid of places, check of the secret
    farms/<id>.json              one pointer a farm, moved by conditional writes
    objects/<id>/<table>-<sha256>.parquet
    leases/<name>.json           who works on what, until when, with a number that only grows (fence)
    private/<table>-<sha256>.parquet   all farms' rows, for the network's own use
    snapshot/<table>-<sha256>.parquet  what readers get: rows of named farms, pooled answers
    snapshot.json                names one file a table: the one state that a reader sees

For whoever builds on it::

    objects = flows.share.objects.open_at(address)            # a folder or s3://bucket/prefix
    flows.share.push.push(folder, objects, fence=.., check=..)  # one farm's tables, exactly once
    held = lease.take(objects, "round", holder, seconds)      # None while another holds it
    held.check(); held.renew(); held.release()                # check raises lease.Lost once it has passed
    snapshot.compact(objects, held, runs=frame)               # one file a table; frame: network_run rows
    with reading.open_snapshot(objects) as con: ...           # DuckDB, read-only, what readers may see
"""
