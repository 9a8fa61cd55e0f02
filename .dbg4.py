import sys,tempfile; sys.path.insert(0,'tests/review')
from planted import *
from pathlib import Path
from wakeboard.harness.describe.circuit import on_supplies
from wakeboard.harness.review.cases import cases
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit import newton as N
import wakeboard.instruments.virtual.circuit.model as MM
import numpy as np
orig=N.operating_point
tot={}
def op(system,x,memory=None,partials=False):
    for reach in (0.5,1.0,2.0,5.0,20.0):
        for ease in (0.02,0.1,0.4,0.8):
            y,ok=N.newton(system,np.zeros_like(x),iterations=1500,reach=reach,ease=ease)
            a=tot.setdefault((reach,ease),[0,0]); a[0]+=int(ok.sum()); a[1]+=len(ok)
    for nm,r in N.REMEDIES:
        if nm in('patience',): continue
        y,ok=r(system,x.copy()); a=tot.setdefault(nm,[0,0]); a[0]+=int(ok.sum()); a[1]+=len(ok)
    return orig(system,x,memory,partials)
MM.operating_point=op
t=drawing('tern')
for b in ('tern','egret','vole'):
  t=drawing(b)
  for m in list(mistakes(b))[:10]:
    with tempfile.TemporaryDirectory() as d:
        f=Path(d)/'board.toml'; f.write_text(m.apply(t)); board=load_board(str(f))
    c=on_supplies(board, off_ohms=1e7)
    c.compile().solve([Variant(values=k.values()) for k in cases(board)])
for k,v in tot.items(): print(k,v)
