"""What every room stands on: axes and motions, errors, teeth, words, files, kernels.

Takes numbers and files, and knows nothing of a case; imports no other room. Start with
``axis.HingeAxis`` (frames and signs), ``errors.InputError`` and ``words``. What two rooms need and
neither owns goes here.
"""
