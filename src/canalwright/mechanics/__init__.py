"""What the canal does to the instrument: one model per module, its validity range beside it.

Arrays in, frozen results out. Inside: N, mm, MPa, so torques are N·mm; at the borders torques
are N·cm, the trade's unit. Nothing here is a measurement: results carry cautions that say so.
"""
