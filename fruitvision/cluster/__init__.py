"""Photos measured by the workers of a Dask cluster (extra `cluster`), on several machines.

`connect.py` reaches it; `fit.py` holds which workers are there and run this very program
(`program.py`); `source.py` brings a photo to a worker, `task.py` is what it does there; `flight.py`
keeps some hundred tasks under way, however many there are; `workers.py` puts it behind
`batch.PhotoWorkers`. `keeper.py` runs the workers of a computer, and starts them again.

Scheduler and workers run whatever a client sends them: whoever reaches their ports may do anything
as the user that started them. Keep them in a network of their own, or use Dask's TLS (`tls://`).
"""

from fruitvision.cluster.connect import Unfit, cluster_at
from fruitvision.cluster.workers import ClusterWorkers

__all__ = ["ClusterWorkers", "Unfit", "cluster_at"]
