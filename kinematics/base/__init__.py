"""What every room stands on: axes and motions, errors, teeth, words, whole files, kernels.

Takes numbers and files; gives records and functions without any knowledge of a case.
Start with ``axis.HingeAxis``, ``errors.InputError`` and ``words``. Imports no other room.
"""
