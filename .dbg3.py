import sys,tempfile; sys.path.insert(0,'tests/review')
from planted import *
from pathlib import Path
from wakeboard.harness.describe.circuit import on_supplies
from wakeboard.harness.review.cases import cases
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit import newton as N
import numpy as np
t=drawing('tern'); m=[m for m in mistakes('tern') if m.number==12][0]
with tempfile.TemporaryDirectory() as d:
    f=Path(d)/'board.toml'; f.write_text(m.apply(t)); board=load_board(str(f))
c=on_supplies(board, off_ohms=1e7); mod=c.compile()
cs=cases(board); 
orig=N.operating_point
def op(system,x,memory=None,partials=False):
    b=system.members
    for k in range(b):
        s=system.take(np.array([k]))
        last=None
        for it in list(range(1,60,1))+[119,120,121]:
            y,ok=N.newton(s,np.zeros_like(x[[k]]),iterations=it)
            if ok[0]: break
            if k in (3,): 
                nets=mod.layout.nets if hasattr(mod.layout,'nets') else None
                names=list(c.nets)
                g={n:round(float(y[0][i]),3) for i,n in enumerate(names) if n in ('VIN','+5V','+3V3','+1V8','FB5','FB3','EN5','EN3')}
                print(it,g)
        print(k,ok,it)
    return orig(system,x,memory,partials)
import wakeboard.instruments.virtual.circuit.model as MM
MM.operating_point=op
p=mod.solve([Variant(values=k.values()) for k in cs])
print(p.status)
