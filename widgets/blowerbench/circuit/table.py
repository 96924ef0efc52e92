"""placeholder"""
def table(*a, **k):
    raise NotImplementedError
