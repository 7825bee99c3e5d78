# What the camera wrote about a set: capture order, twins, brackets, lock check, field of view.
broadloom_test(sequence_test unit/sequence_test.cpp LINK bl_gather)
broadloom_test(lock_check_test unit/lock_check_test.cpp LINK bl_gather)
broadloom_test(field_of_view_test unit/field_of_view_test.cpp LINK bl_gather)
# Sets as cards and photographers leave them: long runs, lost tags, mixed cameras.
broadloom_test(gather_order_test unit/gather_order_test.cpp LINK bl_gather)
broadloom_test(gather_lock_test unit/gather_lock_test.cpp LINK bl_gather)
broadloom_test(gather_view_test unit/gather_view_test.cpp LINK bl_gather)
