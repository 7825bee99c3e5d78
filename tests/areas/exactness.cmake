# Exactness of the block renderer against the whole canvas, and accuracy against outside references.
add_library(bl_made_up STATIC support/memory_frames.cpp support/made_up_canvases.cpp
  support/whole_canvas.cpp)
target_include_directories(bl_made_up PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_made_up PUBLIC bl_canvas bl_image bl_scene)

broadloom_test(block_exactness_test unit/block_exactness_test.cpp LINK bl_made_up bl_blend)
