import sys,tempfile; sys.path.insert(0,'tests/review')
from planted import *
from pathlib import Path
from wakeboard.instruments.virtual.circuit.errors import SolveError
with tempfile.TemporaryDirectory() as d:
    for m in mistakes('tern'):
        try: o=outcome(m,Path(d))
        except SolveError as e: print(m.number,m.says,e)
        else:
            if not o.raised or o.false: print(m.number,o.raised,o.false,m.says,*o.says,sep='\n   ')
