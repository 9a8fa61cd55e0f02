import sys,tempfile; sys.path.insert(0,'tests/review')
from planted import *
from pathlib import Path
from wakeboard.harness.describe.circuit import on_supplies
from wakeboard.harness.review.cases import cases
from wakeboard.instruments.virtual.circuit.model import Variant
def go(text,label):
    with tempfile.TemporaryDirectory() as d:
        f=Path(d)/'board.toml'; f.write_text(text); board=load_board(str(f))
    c=on_supplies(board, off_ohms=1e7)
    p=c.compile().solve([Variant(values=k.values()) for k in cases(board)])
    print(label,p.status)
t=drawing('tern')
for m in mistakes('tern'):
    s=m.apply(t)
    go(s,str(m.number)+' adj')
    if m.number in (1,5,7,8,10,12):
        s=s.replace('kind = "adjustable_buck", reference = "0.8 V"','kind = "buck", volts = "5 V"').replace('kind = "adjustable_buck", reference = "0.6 V"','kind = "buck", volts = "3.3 V"').replace('FB = "FB5", ','').replace('FB = "FB3", ','')
        go(s,str(m.number)+' fixed')
for b in names():
    if b=='tern': continue
    t=drawing(b)
    go(t,b)
    for m in mistakes(b):
        go(m.apply(t),b+str(m.number))
